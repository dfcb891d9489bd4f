"""An edition's parts in words, for differences and for reading a list without its file. Pure."""

from api.kitlist.metrics import LEFT_OF_THE_BODY, METRICS, OF_THE_BODY
from api.kitlist.schemas import (
    AllOf,
    AnyOf,
    AtLeast,
    Below,
    Condition,
    FromAnchor,
    FromLine,
    FromMetric,
    GradeRule,
    HowMany,
    Limit,
    Line,
    OnTerrain,
    Question,
    Requirement,
)


def condition_words(condition: Condition | None) -> str:
    """When something is asked: `freezing level below the dry mitts line`; `always` without a condition."""
    match condition:
        case None:
            return "always"
        case Below(metric=metric, below=threshold):
            return f"{metric_words(metric)} below {threshold_words(threshold)}"
        case AtLeast(metric=metric, at_least=threshold):
            return f"{metric_words(metric)} at least {threshold_words(threshold)}"
        case OnTerrain(terrain=terrain):
            return f"on {' or '.join(terrain)}"
        case AllOf(all_=parts):
            return f"all of ({'; '.join(condition_words(part) for part in parts)})"
        case AnyOf(any_=parts):
            return f"any of ({'; '.join(condition_words(part) for part in parts)})"


def metric_words(name: str) -> str:
    """A metric's title, or its name when it is not known."""
    metric = METRICS.get(name)
    return metric.title if metric else name


def threshold_words(threshold: str | FromAnchor | FromLine) -> str:
    """A threshold: a figure, a named line, or an offset from a place of the trip."""
    if isinstance(threshold, FromLine):
        return f"the {threshold.line.replace('-', ' ')} line"
    if isinstance(threshold, FromAnchor):
        return f"{threshold.anchor.value} {_signed(threshold.offset)}"
    return threshold


def how_many_words(how_many: HowMany, *, held: bool = False) -> str:
    """How many are asked: `2 a person`, `1 for 6 people`, `fuel by the planning rule, in g`.

    `held`: an amount that is held against what another line shows, which asks for a share of it.
    """
    per = f"for {how_many.people} people" if how_many.per == "people" else f"a {how_many.per}"
    if how_many.computed in OF_THE_BODY:
        word = "at least" if how_many.computed in LEFT_OF_THE_BODY else "at most"
        named = f"{metric_words(how_many.computed)} ({how_many.computed})"
        return f"{named}: {word} {how_many.count:g} {how_many.unit}"
    if held and how_many.computed:
        named = f"{metric_words(how_many.computed)} ({how_many.computed})"
        return f"{named}: at least {100.0 * how_many.count:g} % of it {per}"
    if how_many.computed:
        return f"{metric_words(how_many.computed)} ({how_many.computed}), in {how_many.unit}, {per}"
    unit = f" {how_many.unit}" if how_many.unit else ""
    return f"{how_many.count:g}{unit} {per}"


def grades_words(grades: tuple[GradeRule, ...]) -> str:
    """What a gap does: `stop at summit-start, also fix at high-camp, when …; else advise at base`."""
    return "; else ".join(_grade(rule) for rule in grades) or "none"


def _grade(rule: GradeRule) -> str:
    also = "".join(f", also ({_grade(further)})" for further in rule.also)
    when = f", when {condition_words(rule.when)}" if rule.when else ""
    return f"{rule.grade.value} at {rule.at.value}{also}{when}"


def limit_words(limit: Limit) -> str:
    """What an answer must satisfy, and what a failure means."""
    if limit.at_least is not None:
        asks = f"at least {_bound(limit.at_least)}"
    elif limit.at_most is not None:
        asks = f"at most {_bound(limit.at_most)}"
    elif limit.one_of:
        asks = f"one of {', '.join(limit.one_of)}"
    elif limit.want is not None:
        asks = "yes" if limit.want else "no"
    elif limit.not_before:
        asks = f"not before {limit.not_before}"
    else:
        asks = f"within {limit.within_years:g} years"
    when = f", when {condition_words(limit.when)}" if limit.when else ""
    grades = f", then {grades_words(limit.grades)}" if limit.grades else ""
    return f"{asks}{when}{grades}, else “{limit.says}”"


def _bound(bound: str | FromMetric) -> str:
    if isinstance(bound, FromMetric):
        return f"{metric_words(bound.metric)}{' ' + _signed(bound.plus) if bound.plus else ''}"
    return bound


def _signed(offset: str) -> str:
    return offset if offset[0] in "+-" else f"+{offset}"


def line_words(line: Line) -> dict[str, str]:
    """Every field of a line, in words."""
    return {"title": line.title, "metric": metric_words(line.metric), "value": threshold_words(line.value)}


def question_words(question: Question) -> dict[str, str]:
    """Every field of a question, in words."""
    return {
        "ask": question.ask,
        "kind of answer": f"{question.kind}{', in ' + question.unit if question.unit else ''}",
        "choices": ", ".join(f"{choice.id} “{choice.label}”" for choice in question.choices) or "none",
        "expected once": question.needs.value,
        "asked": condition_words(question.when),
        "limits": " / ".join(limit_words(limit) for limit in question.limits),
    }


def requirement_words(requirement: Requirement) -> dict[str, str]:
    """Every field of a requirement, in words; two requirements that differ, differ in some field."""
    words = {
        "item": requirement.item,
        "zone": requirement.zone.value,
        "scope": requirement.scope.value,
        "for": ", ".join(requirement.roles) or "everyone",
        "how many": how_many_words(requirement.how_many, held=requirement.holds_amount),
        "optional": "yes" if requirement.optional else "no",
        "asked": condition_words(requirement.when),
        "counts once": requirement.takes.value,
        "grades": grades_words(requirement.grades),
        "life safety": "yes" if requirement.life_safety else "no",
        "why": requirement.why,
        "clears": requirement.clears,
        "loan": requirement.loan,
        "spare for": ", ".join(requirement.spare_for) or "nothing",
        "weight": "not stated" if requirement.weight_g is None else f"{requirement.weight_g:g} g",
        "basis": f"{requirement.basis.kind}: {requirement.basis.source}",
        "order of questions": ", ".join(question.id for question in requirement.questions) or "none",
        "order of stand-ins": ", ".join(stand_in.id for stand_in in requirement.stands_in) or "none",
    }
    for question in requirement.questions:
        for name, text in question_words(question).items():
            words[f"question {question.id}, {name}"] = text
    for stand_in in requirement.stands_in:
        note = f" ({stand_in.note})" if stand_in.note else ""
        words[f"stand-in {stand_in.id}"] = f"{stand_in.item}{note}, {condition_words(stand_in.when)}"
    return words
