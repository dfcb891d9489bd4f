"""What the mountain page says in sentences. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import timedelta

from api.conditions.shifts import Shift
from api.journal.trip import TripPlan
from api.readiness.by_source import FlagBySource, FlagsBySource, SourceSays, SourceStanding
from api.readiness.outlook import (
    FlagChange,
    FlagTurn,
    Frequency,
    IssueChange,
    NumberChange,
    PossibleFlag,
    Spread,
)
from api.readiness.schemas import Finding
from api.readiness.tipping import Axis, Tipped, TippingPoint
from web import words

FEET_PER_M = 1.0 / 0.3048
UNCALIBRATED = (
    "A count of members is an uncalibrated frequency of this ensemble, not a probability: its members may "
    "all be wrong the same way. Each member is held against the whole rule over the whole stage."
)
BY_HAND = (
    "Low, best and high are one guide's three figures. They say how far the forecaster thinks it may go, not "
    "how likely it is, so there is no percentage."
)
MOST_NAMES = 4


def change_of(shift: Shift, plan: TripPlan, say: words.Say) -> str:
    """A what-if in words: "freezing level 300 m lower, wind 1.5 times as strong"."""
    parts = []
    if shift.freezing_level_m:
        parts.append(f"freezing level {_length(shift.freezing_level_m, say, outward=False)}")
    if shift.temperature_c:
        parts.append(f"air {_degrees(shift.temperature_c, say, outward=False)}")
    if shift.wind_factor != 1.0:
        parts.append(f"wind {_times(shift.wind_factor)}")
    if shift.start_min:
        name = next((stage.name for stage in plan.stages if stage.id == shift.stage), "")
        what = f"“{name}”" if name else "every stage"
        parts.append(f"{what} {_later(shift.start_min)}")
    return words.join(parts)


def tipping(point: TippingPoint, plan: TripPlan, say: words.Say) -> str:
    """A tipping point in a sentence: "If the freezing level comes in 300 m lower, Ann also needs mitts." """
    about = "about " if point.within else ""
    outward = point.within == 0.0
    match point.axis:
        case Axis.FREEZING_LEVEL:
            what = f"If the freezing level comes in {about}{_length(point.shift, say, outward=outward)}"
        case Axis.TEMPERATURE:
            what = f"If the air is {about}{_degrees(point.shift, say, outward=outward)}"
        case Axis.WIND:
            what = f"If the wind is {about}{_times(point.shift)}"
        case Axis.START:
            name = next((stage.name for stage in plan.stages if stage.id == point.stage), "")
            what = f"If “{name}” starts {about}{_later(point.shift).removeprefix('starts ')}"
    also = [*_asked_too(point.appear), *_asked_no_more(point.go), *_graded_otherwise(point.regraded)]
    return f"{what}, {words.join(also)}."


def _asked_too(flags: Iterable[Tipped]) -> Iterator[str]:
    for item, there, who in _by_item(flags):
        if there:
            yield f"the {item} of {_names(who)} will no longer do"
        else:
            yield f"{_names(who)} also {'need' if len(who) > 1 else 'needs'} {item}"


def _asked_no_more(flags: Iterable[Tipped]) -> Iterator[str]:
    for item, there, who in _by_item(flags):
        if there:
            yield f"the {item} of {_names(who)} will do"
        else:
            yield f"{_names(who)} no longer {'need' if len(who) > 1 else 'needs'} {item}"


def _graded_otherwise(flags: Iterable[Tipped]) -> Iterator[str]:
    found: dict[tuple[str, str], list[str]] = {}
    for flag in flags:
        was = words.GRADES[flag.was_grade].lower() if flag.was_grade else words.NOT_KNOWN
        before = f" before {flag.was_hold_name}" if flag.was_hold_name != flag.hold_name else ""
        goes = f"from {was}{before} to {words.GRADES[flag.grade].lower()} before {flag.hold_name}"
        found.setdefault((in_short(flag.item), goes), []).append(_inside(flag.subject_name))
    for (item, goes), who in found.items():
        yield f"the flag on {item} for {_names(who)} goes {goes}"


def by_source(found: FlagsBySource, say: words.Say) -> Iterator[tuple[str, tuple[tuple[str, str], ...]]]:
    """Flags about which sources differ, people together where they say the same: what, and who says what."""
    together: dict[tuple[object, ...], tuple[FlagBySource, list[str]]] = {}
    for flag in found.differ:
        key = (flag.item, tuple((source, one.model_dump_json()) for source, one in flag.by.items()))
        together.setdefault(key, (flag, []))[1].append(_inside(flag.subject_name))
    for flag, who in together.values():
        told = tuple((source, _by_one(one, say)) for source, one in flag.by.items())
        yield words.sentence(f"{in_short(flag.item)} for {_names(who)}"), told


def undecided(found: FlagsBySource) -> Iterator[str]:
    """Sources that do not say enough for some flags."""
    for source, count in found.undecided.items():
        if count and found.sources[1:]:
            flags = words.count(count, "flag")
            yield f"{source} does not say enough for {flags}, so it neither confirms nor clears them"


def _by_one(one: SourceSays, say: words.Say) -> str:
    match one.standing:
        case SourceStanding.NOT_KNOWN:
            return "does not say enough"
        case SourceStanding.NOT_OPEN:
            return "not open"
        case SourceStanding.OPEN:
            grade = words.GRADES[one.grade].lower() if one.grade else words.NOT_KNOWN
            why = f" ({say.triggers(one.why_now)})" if one.why_now else ""
            return f"{grade} before {one.hold_name}{why}"


def _by_item(flags: Iterable[Tipped]) -> list[tuple[str, bool, list[str]]]:
    found: dict[tuple[str, bool], list[str]] = {}
    for flag in flags:
        found.setdefault((in_short(flag.item), flag.there), []).append(_inside(flag.subject_name))
    return [(item, there, who) for (item, there), who in found.items()]


def in_short(item: str) -> str:
    """An item inside a sentence: what stands before a colon; an acronym keeps its capitals."""
    item = item.split(":")[0]
    return item if item[:2].isupper() else item[:1].lower() + item[1:]


def _inside(name: str) -> str:
    """A subject inside a sentence."""
    return "the party" if name == "The party" else name


def possible(flags: Iterable[PossibleFlag]) -> Iterator[tuple[str, str]]:
    """Flags that may still come, together where they appear equally often: when, and what for whom."""
    found: dict[tuple[str, str], list[str]] = {}
    for flag in flags:
        found.setdefault((frequency(flag.frequency), flag.item), []).append(_inside(flag.subject_name))
    for (often, item), who in found.items():
        yield often, f"{in_short(item)} for {_names(who)}"


def frequency(found: Frequency) -> str:
    """In how many scenarios: "in 7 of 31 members", "in the low figure"."""
    if found.spread is Spread.BY_HAND:
        figures = "figure" if len(found.which) == 1 else "figures"
        return (
            f"in the {words.join(found.which)} {figures}" if found.which else "in none of the three figures"
        )
    if found.spread is Spread.NONE:
        return "in this forecast"
    if not found.given:
        return f"no count: only {found.valid} of {found.total} members decide it"
    of = f"{found.valid} members" if found.valid == found.total else f"{found.valid} members that decide it"
    return f"in {found.appears} of {of}"


def turned(change: IssueChange | None, say: words.Say) -> tuple[str, ...]:
    """What a new issue did to flags and why, people together whom it did the same to."""
    found: dict[tuple[object, ...], tuple[FlagChange, list[str]]] = {}
    for flag in change.flags if change else ():
        key = (
            flag.turn,
            flag.item,
            flag.grade,
            flag.hold_name,
            flag.was_grade,
            flag.was_hold_name,
            flag.because,
        )
        found.setdefault(key, (flag, []))[1].append(_inside(flag.subject_name))
    return tuple(_turned(flag, who, say) for flag, who in found.values())


def _turned(change: FlagChange, who: Sequence[str], say: words.Say) -> str:
    item, names = in_short(change.item), _names(who)
    now = f"{words.GRADES[change.grade].lower()} before {change.hold_name}"
    match change.turn:
        case FlagTurn.OPENED:
            text = f"new for {names}: {item}, {now}"
        case FlagTurn.GONE:
            text = f"no longer open for {names}: {item}"
        case FlagTurn.CHANGED:
            was = words.GRADES[change.was_grade].lower() if change.was_grade else words.NOT_KNOWN
            text = f"{item} for {names}: {now}, was {was} before {change.was_hold_name}"
    because = "; ".join(number(found, say) for found in change.because)
    return " ".join(words.sentence(part) for part in (text, because) if part)


def moved(change: IssueChange | None, say: words.Say) -> tuple[str, ...]:
    """How the freezing level of each stage moved between two issues."""
    return tuple(words.sentence(number(found, say)) for found in (change.numbers if change else ()))


def number(change: NumberChange, say: words.Say) -> str:
    """A number in two issues: "freezing level Thu 03:00 now 2,650 m, was 3,200 m"."""
    where = f"{say.day_time(change.at)} " if change.at else f"on {change.stage_name} "
    now, was = (say.quantity(value, change.unit) for value in (change.now, change.was))
    line = f", line {say.quantity(change.line, change.unit)}" if change.line is not None else ""
    return f"{change.title} {where}now {now}, was {was}{line}"


def _names(who: Iterable[str]) -> str:
    names = list(who)
    if len(names) <= MOST_NAMES:
        return words.join(names)
    return f"{', '.join(names[: MOST_NAMES - 1])} and {len(names) - MOST_NAMES + 1} more"


def _rounded(value: float, step: float, *, outward: bool) -> float:
    """To a step; outward, so that what is said is not short of what it takes."""
    parts = abs(value) / step
    return (math.ceil(parts - 1e-6) if outward else round(parts)) * step


def _length(metres: float, say: words.Say, *, outward: bool) -> str:
    way = "lower" if metres <= 0 else "higher"
    if abs(metres) < 1e-6:
        return "any lower"
    us = say.units is words.Units.US
    value = _rounded(metres * (FEET_PER_M if us else 1.0), 10.0, outward=outward)
    return f"{words.number(value)}\N{NO-BREAK SPACE}{'ft' if us else 'm'} {way}"


def _degrees(celsius: float, say: words.Say, *, outward: bool) -> str:
    us = say.units is words.Units.US
    value = _rounded(celsius * (1.8 if us else 1.0), 0.1, outward=outward)
    way = "warmer" if celsius > 0 else "colder"
    if value == 0.0:
        return f"any {way}"
    return f"{words.plain_number(value)}\N{NO-BREAK SPACE}{'°F' if us else '°C'} {way}"


def _times(factor: float) -> str:
    return f"{words.plain_number(factor, 2)} times as strong"


def _later(minutes: float) -> str:
    return f"starts {words.duration(timedelta(minutes=minutes))} {'later' if minutes > 0 else 'earlier'}"


def regraded(now: Mapping[str, Finding], then: Mapping[str, Finding]) -> tuple[str, ...]:
    """Flags that are there in both but graded otherwise or for another hold point, in words by item."""
    by_change: dict[tuple[str, str], list[str]] = {}
    for flag in (flag for flag in then if flag in now):
        was, is_ = (
            f"{words.GRADES[one.grade].lower()} before {one.hold_name}" for one in (now[flag], then[flag])
        )
        if was != is_:
            by_change.setdefault((then[flag].item, f"{is_}, now {was}"), []).append(then[flag].subject_name)
    return tuple(
        words.sentence(f"{in_short(item)} for {words.join(who)}: {change}")
        for (item, change), who in sorted(by_change.items())
    )


def changes_of(
    now: Mapping[str, tuple[str, str]], then: Mapping[str, tuple[str, str]]
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """What comes and what goes between two sets of flags, (subject, item) by id; in words by item."""

    def told(flags: Iterable[tuple[str, str]]) -> tuple[str, ...]:
        by_item: dict[str, list[str]] = {}
        for who, item in flags:
            by_item.setdefault(item, []).append(who)
        return tuple(f"{item}: {words.join(who)}." for item, who in sorted(by_item.items()))

    return (
        told(then[flag] for flag in then if flag not in now),
        told(now[flag] for flag in now if flag not in then),
    )
