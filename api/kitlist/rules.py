"""What an edition must satisfy beyond its shape. Pure."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from difflib import get_close_matches

from api.kitlist.metrics import AMOUNTS_HELD, CONDITION_METRICS, OF_THE_BODY, QUANTITIES, Metric
from api.kitlist.quantities import KNOWN_UNITS, in_unit
from api.kitlist.schemas import (
    NIGHT_LINES,
    AtLeast,
    Below,
    Edition,
    FromAnchor,
    FromLine,
    FromMetric,
    Grade,
    GradeRule,
    HowMany,
    Limit,
    Line,
    Path,
    Question,
    Requirement,
    Scope,
    walk,
)
from api.units import QuantityError

ELEVATIONS = frozenset({"freezing_level_m", "altitude_m", "sleeping_elevation_m"})
"""Metrics that are heights above the sea, so that a threshold may be measured from a place of the trip."""


@dataclass(frozen=True, slots=True)
class Fault:
    """Something in an edition that cannot be used: where, what was written, what is wrong, what to do."""

    path: Path
    value: str
    message: str
    remedy: str


def faults(edition: Edition) -> list[Fault]:
    """Everything in the edition that cannot work, in the order of the file; empty when it is fit for use."""
    lines = {line.id: line for line in edition.lines}
    found: list[Fault] = []
    for path, part in walk(edition):
        match part:
            case Line():
                found += _line(path, part)
            case Below(metric=metric, below=threshold):
                found += _threshold(path, "below", metric, threshold, lines)
            case AtLeast(metric=metric, at_least=threshold):
                found += _threshold(path, "at_least", metric, threshold, lines)
            case HowMany():
                found += _how_many(path, part)
            case Question():
                found += _question(path, part)
            case Limit():
                found += _grades((*path, "grades"), part.grades)
            case Requirement():
                found += _requirement(path, part)
                found += _spares(path, part, edition)
            case _:
                pass
    return found


def new_number(numbers: Iterable[int]) -> int:
    """The number of the next edition of a kit list whose editions so far have these numbers."""
    return max(numbers, default=0) + 1


def nearest(word: str, known: Iterable[str]) -> str:
    """A remedy that names the likeliest of the known words, or all of them when none is near."""
    names = sorted(known)
    close = get_close_matches(word, names, n=2, cutoff=0.6)
    return f"Did you mean {' or '.join(close)}?" if close else f"Use one of: {', '.join(names)}."


# -- thresholds ------------------------------------------------------------------------------------------


def _metric(path: Path, name: str) -> tuple[Metric | None, list[Fault]]:
    metric = CONDITION_METRICS.get(name)
    if metric is not None:
        return metric, []
    if name in QUANTITIES:
        remedy = "It is an amount: name it under how_many, computed."
        return None, [Fault((*path, "metric"), name, f"{name} is no condition", remedy)]
    remedy = nearest(name, CONDITION_METRICS)
    return None, [Fault((*path, "metric"), name, f"there is no metric {name}", remedy)]


def _line(path: Path, line: Line) -> Iterator[Fault]:
    metric, wrong = _metric(path, line.metric)
    yield from wrong
    if metric is not None:
        yield from _height((*path, "value"), metric, line.value)


def _threshold(
    path: Path, key: str, name: str, threshold: str | FromAnchor | FromLine, lines: dict[str, Line]
) -> Iterator[Fault]:
    metric, wrong = _metric(path, name)
    yield from wrong
    if metric is None:
        return
    if isinstance(threshold, FromLine):
        line = lines.get(threshold.line)
        if line is not None and line.metric != name:
            yield Fault(
                (*path, key, "line"),
                threshold.line,
                f"line {line.id} is about {line.metric}, not {name}",
                nearest(threshold.line, (one.id for one in lines.values() if one.metric == name))
                if any(one.metric == name for one in lines.values())
                else f"Add a line for {name}, or write the figure here.",
            )
    else:
        yield from _height((*path, key), metric, threshold)


def _height(path: Path, metric: Metric, value: str | FromAnchor) -> Iterator[Fault]:
    if not isinstance(value, FromAnchor):
        yield from _quantity(path, value, metric.unit)
    elif metric.name not in ELEVATIONS:
        yield Fault(
            (*path, "from"),
            value.anchor.value,
            f"{metric.name} is no height above the sea, so it cannot be measured from a place",
            f"Write a figure in {metric.unit}.",
        )
    else:
        yield from _quantity((*path, "offset"), value.offset, "m", difference=True)


def _quantity(path: Path, written: str, unit: str, *, difference: bool = False) -> Iterator[Fault]:
    try:
        in_unit(written, unit, difference=difference)
    except QuantityError as error:
        yield Fault(path, written, error.message.rstrip("."), error.remedy)


# -- requirements ----------------------------------------------------------------------------------------


def _spares(path: Path, requirement: Requirement, edition: Edition) -> Iterator[Fault]:
    if requirement.spare_for and requirement.scope is not Scope.PARTY:
        yield Fault(
            (*path, "spare_for"),
            ", ".join(requirement.spare_for),
            f"spares are the party's; scope is {requirement.scope.value}",
            "Leave spare_for out, or write scope: party.",
        )
    known = [other.id for other in edition.requirements]
    for at, id_ in enumerate(requirement.spare_for):
        if id_ not in known or id_ == requirement.id:
            near = nearest(id_, [other for other in known if other != requirement.id])
            yield Fault((*path, "spare_for", at), id_, "no other requirement has this id", near)


def _requirement(path: Path, requirement: Requirement) -> Iterator[Fault]:
    yield from _grades((*path, "grades"), requirement.grades)
    if requirement.roles and requirement.scope is not Scope.PERSON:
        yield Fault(
            (*path, "roles"),
            ", ".join(requirement.roles),
            f"roles say which people; scope is {requirement.scope.value}",
            "Leave roles out, or write scope: person.",
        )
    of_the_body = requirement.how_many.computed in OF_THE_BODY
    if of_the_body and not (requirement.optional and requirement.scope is Scope.PERSON):
        yield Fault(
            (*path, "how_many", "computed"),
            str(requirement.how_many.computed),
            "worked out for each person from what they have; nobody can look for it in a pack",
            "Write scope: person and optional: true; its grades are used all the same.",
        )
    about_nights = requirement.id in NIGHT_LINES
    if about_nights and not (requirement.optional and requirement.scope is Scope.PERSON):
        yield Fault(
            (*path, "id"),
            requirement.id,
            "grades what is known of each person's nights; nobody can look for it in a pack",
            "Write scope: person and optional: true, its grades are used all the same; or choose another id.",
        )
    if requirement.holds_amount:
        scope, line = AMOUNTS_HELD[str(requirement.how_many.computed)]
        if requirement.scope.value != scope:
            yield Fault(
                (*path, "scope"),
                requirement.scope.value,
                f"{requirement.how_many.computed} is held against what the line {line} shows of each {scope}",
                f"Write scope: {scope}; or leave optional out and count it by itself.",
            )
    elif requirement.optional and requirement.grades and not (of_the_body or about_nights):
        yield Fault(
            (*path, "grades"),
            requirement.id,
            "an optional item is never flagged, so its grades are never used",
            "Leave grades out, or optional.",
        )
    stops = any(isinstance(part, GradeRule) and part.grade is Grade.STOP for _, part in walk(requirement))
    if requirement.life_safety and not stops:
        yield Fault(
            (*path, "life_safety"),
            requirement.id,
            "life_safety says who clears a stop, and nothing here is a stop",
            "Add a stop under grades, or leave life_safety out.",
        )
    for at, question in enumerate(requirement.questions):
        if question.needs.rung > requirement.takes.rung:
            yield Fault(
                (*path, "questions", at, "needs"),
                question.needs.value,
                f"the item counts once {requirement.takes.value}, so a question for {question.needs.value} "
                "would go unasked",
                f"Write takes: {question.needs.value} for the item, or needs: {requirement.takes.value} "
                "here.",
            )


def _how_many(path: Path, how_many: HowMany) -> Iterator[Fault]:
    if how_many.computed is None:
        return
    quantity = QUANTITIES.get(how_many.computed)
    if quantity is None:
        remedy = nearest(how_many.computed, QUANTITIES)
        yield Fault((*path, "computed"), how_many.computed, f"there is no amount {how_many.computed}", remedy)
    elif how_many.unit != quantity.unit:
        yield Fault(
            (*path, "unit"),
            str(how_many.unit),
            f"{quantity.name} is counted in {quantity.unit}",
            f"Write unit: {quantity.unit}.",
        )


def _grades(path: Path, grades: tuple[GradeRule, ...]) -> Iterator[Fault]:
    """The first rule that holds is shown, so a rule after one that always holds is never reached."""
    for at, rule in enumerate(grades):
        if rule.when is None and at < len(grades) - 1:
            yield Fault(
                (*path, at + 1),
                grades[at + 1].grade.value,
                "never reached: the grade before it holds in all conditions",
                "Give the one before a when, or put it last.",
            )
            break
    for at, rule in enumerate(grades):
        held = [rule.at]
        for place, further in enumerate(rule.also):
            if further.at in held:
                yield Fault(
                    (*path, at, "also", place, "at"),
                    further.at.value,
                    f"{further.at.value} is graded already",
                    "Name another hold point, or leave it out.",
                )
            held.append(further.at)


# -- questions -------------------------------------------------------------------------------------------


def _question(path: Path, question: Question) -> Iterator[Fault]:
    if question.unit is not None and question.unit not in KNOWN_UNITS:
        remedy = nearest(question.unit, KNOWN_UNITS)
        yield Fault((*path, "unit"), question.unit, f"there is no unit {question.unit}", remedy)
        return
    bad = False
    for at, limit in enumerate(question.limits):
        for key in ("at_least", "at_most"):
            bound = getattr(limit, key)
            if bound is not None and question.unit is not None:
                for fault in _bound((*path, "limits", at, key), bound, question.unit):
                    bad = True
                    yield fault
    if bad:
        return
    for at, limit in enumerate(question.limits):
        before = next((n for n, one in enumerate(question.limits[:at]) if _hides(one, limit, question)), None)
        if before is not None:
            yield Fault(
                (*path, "limits", at),
                limit.says,
                f"never reached: whatever fails it fails limit {before + 1} first",
                "Put the worst first, give the one before a when, or leave this one out.",
            )


def _bound(path: Path, bound: str | FromMetric, unit: str) -> Iterator[Fault]:
    if isinstance(bound, str):
        yield from _quantity(path, bound, unit)
        return
    metric, wrong = _metric(path, bound.metric)
    yield from wrong
    if metric is None:
        return
    if metric.unit != unit:
        yield Fault(
            (*path, "metric"),
            bound.metric,
            f"{metric.name} is in {metric.unit}, the question in {unit}",
            f"Ask the question in {metric.unit}.",
        )
    elif bound.plus is not None:
        yield from _quantity((*path, "plus"), bound.plus, unit, difference=True)


def _hides(first: Limit, later: Limit, question: Question) -> bool:
    """Whether every answer that fails `later` fails `first` too, whenever `later` is looked at."""
    if first.when is not None and first.when != later.when:
        return False
    if first.one_of and later.one_of:
        return set(first.one_of) <= set(later.one_of)
    if first.want is not None and later.want is not None:
        return first.want == later.want
    if first.not_before and later.not_before:
        return first.not_before == later.not_before or first.not_before == "trip-end"
    if first.within_years and later.within_years:
        return first.within_years <= later.within_years
    for key, sign in (("at_least", 1.0), ("at_most", -1.0)):
        tighter, looser = getattr(first, key), getattr(later, key)
        if tighter is not None and looser is not None:
            ours, theirs = _comparable(tighter, question), _comparable(looser, question)
            return ours[0] == theirs[0] and sign * ours[1] >= sign * theirs[1]
    return False


def _comparable(bound: str | FromMetric, question: Question) -> tuple[str, float]:
    """What a bound is measured from, and how far it lies from there; only those from one thing compare."""
    unit = question.unit or "1"
    if isinstance(bound, FromMetric):
        return bound.metric, in_unit(bound.plus, unit, difference=True) if bound.plus else 0.0
    return "", in_unit(bound, unit)
