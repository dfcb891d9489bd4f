"""Parts of an edition in sentences, for its pages. Pure."""

from __future__ import annotations

from collections.abc import Sequence

from api.kitlist.metrics import LEFT_OF_THE_BODY, OF_THE_BODY
from api.kitlist.schemas import Edition, GradeRule, HowMany, Line, Question, Requirement
from api.kitlist.wording import condition_words as condition_words
from api.kitlist.wording import limit_words, metric_words, threshold_words
from web import words

_PER = {
    "person": "each person",
    "rope": "each rope",
    "rope-end": "each end of a rope",
    "party": "the party",
    "guide": "each guide",
}


def for_whom(requirement: Requirement) -> str:
    """ "1 for each person", "2 for each rope, lead guide and assistant guide only"."""
    roles = words.join(words.ROLES[role] for role in requirement.roles)
    asked = how_many(requirement.how_many, held=requirement.holds_amount)
    return f"{asked}{f', {roles} only' if roles else ''}"


def how_many(asked: HowMany, *, held: bool = False) -> str:
    """ "2 for each person"; a computed amount by the name it has. `held`: a share of it."""
    per = f"every {asked.people} people" if asked.per == "people" else _PER[asked.per]
    if asked.computed in OF_THE_BODY:
        word = "at least" if asked.computed in LEFT_OF_THE_BODY else "at most"
        return f"{metric_words(asked.computed)} for {per}: {word} {asked.count:g} {asked.unit}"
    if held and asked.computed:
        return f"{metric_words(asked.computed)} for {per}: at least {100.0 * asked.count:g} % of it"
    if asked.computed:
        return f"{metric_words(asked.computed)} for {per}, counted in {asked.unit}"
    unit = f" {asked.unit}" if asked.unit else ""
    return f"{asked.count:g}{unit} for {per}"


def grade(rule: GradeRule) -> str:
    """ "Stop at base, also fix at high camp, when ..."."""
    also = "".join(f", also {lower_first(grade(further))}" for further in rule.also)
    when = f", when {condition_words(rule.when)}" if rule.when else ""
    return f"{words.GRADES[rule.grade]} at {words.HOLDS[rule.at]}{when}{also}"


def grades_in_short(requirement: Requirement) -> str:
    """What the gap does, for beside the item: "stop at base" or "optional"."""
    if requirement.optional and not requirement.grades:
        return "optional"
    return "; else ".join(
        f"{words.GRADES[rule.grade].lower()} at {words.HOLDS[rule.at]}" for rule in requirement.grades
    )


def asked(requirement: Requirement) -> str:
    """When it is asked: "always", "when freezing level below the dry mitts line"."""
    return f"when {condition_words(requirement.when)}" if requirement.when else "always"


def question_asked(question: Question) -> str:
    """From when on a question is asked: "once seen, when rain at least line wet"."""
    when = f", when {condition_words(question.when)}" if question.when else ""
    return f"once {words.KNOWN[question.needs]}{when}"


def limits(question: Question) -> Sequence[str]:
    """Each limit of a question, with what a failure means."""
    said = (limit_words(limit) for limit in question.limits)
    return [f"{text[:1].upper()}{text[1:]}" for text in said]


def answers(question: Question) -> str:
    """What can be answered."""
    if question.choices:
        return words.join((choice.label for choice in question.choices), "or")
    if question.kind == "number":
        return "a number" if question.unit == "1" else f"a number in {question.unit}"
    return {"yes-no": "yes or no", "date": "a date"}.get(question.kind, question.kind)


def line(line: Line) -> str:
    """ "freezing level, high-point -1000 m"."""
    return f"{metric_words(line.metric)}, {threshold_words(line.value)}"


def size(edition: Edition) -> str:
    """ "109 requirements, 19 lines"."""
    return (
        f"{words.count(len(edition.requirements), 'requirement')}, {words.count(len(edition.lines), 'line')}"
    )


def lower_first(text: str) -> str:
    return text[:1].lower() + text[1:]
