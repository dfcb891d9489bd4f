"""What the review's pages show, as tables to take along. No name and nothing about health is in them.

Shares are 0 to 1, intervals 95 %, p values 0 to 1; what is not known is left empty.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from api.seasons.behind import COUNTED, TripBehind, numbers_of
from api.seasons.export import Table, Value
from api.seasons.measures import COVERED, HOLDS, KNOWN
from api.seasons.queries import NoteLine
from api.seasons.rules import Compared, Rate, Recurrence, Split
from api.seasons.service import OneRequirement, Overview

RATE = ("lacking", "asked", "share", "share_lower", "share_upper")
TRIED: tuple[tuple[str, str], ...] = (
    ("people", "people"),
    ("flagged_before", "flagged_before"),
    ("flagged_after", "flagged_after"),
    ("come", "would_have_come"),
    ("gone", "would_not_have_come"),
    ("earlier", "earlier"),
    ("later", "later"),
    ("heavier", "weighed_more"),
    ("lighter", "weighed_less"),
    ("untold_before", "not_known_before"),
    ("untold_after", "not_known_after"),
    ("hours_earlier", "hours_earlier_sum"),
)
"""What a trial counts, and the name of its column."""
OF_LINES: Mapping[str, tuple[str, ...]] = {
    "late": ("late", "carried-past"),
    "surprises": ("surprise",),
    "locker": ("covered-lent", "covered-shared", "covered-bought", "covered-open"),
    "remarks": (),
}
"""By list of lines: what it shows of each, besides how often it was lacking."""
TRIP = ("trip", "trip_name", "began", "route", "kind")


def known(value: float) -> float | None:
    """A number, or nothing where it is not finite."""
    return value if math.isfinite(value) else None


def _column(measure: str) -> str:
    return measure.replace("-", "_")


def _rate(rate: Rate) -> list[Value]:
    return [rate.hits, rate.total, *(known(part) for part in (rate.share, rate.lower, rate.upper))]


def _rate_head(prefix: str) -> tuple[str, ...]:
    return tuple(f"{prefix}_{name}" for name in RATE)


def _yes(value: bool) -> str:
    return "yes" if value else "no"


# -- the first page


GAPS_HEAD: tuple[str, ...] = (
    "requirement",
    "item",
    "asked",
    "lacking",
    "share",
    "share_lower",
    "share_upper",
    "drawn_share",
    "drawn_lower",
    "drawn_upper",
    *(f"known_{how}" for how in KNOWN),
    *(f"hold_{_column(hold)}" for hold in HOLDS),
    *(f"covered_{_column(covered)}" for covered in COVERED),
    "accepted",
    "carried_past",
    "came_back",
    "found_late",
    "forecast_surprise",
    "median_to_clear_h",
    "said_fine",
    "said_fine_checked",
    "said_fine_wrong",
    "change",
    "change_adjusted_p",
)


def gaps(found: Overview) -> Table:
    """Recurring gaps, ranked as on the page."""
    rows = [_gap(found, line) for line in found.lines]
    return Table("recurring-gaps", "Recurring gaps", GAPS_HEAD, rows)


def _gap(found: Overview, line: Recurrence) -> list[Value]:
    change = found.changed.get(line.requirement)
    told = line.self_report
    return [
        line.requirement,
        found.item(line.requirement),
        line.rate.total,
        *_rate(line.rate)[:1],
        *_rate(line.rate)[2:],
        *(known(part) for part in (line.shrunk, line.shrunk_lower, line.shrunk_upper)),
        *line.known.values(),
        *line.holds.values(),
        *line.covered.values(),
        line.accepted,
        line.carried_past,
        line.came_back,
        line.late,
        line.surprise,
        known(line.median_clear_h),
        line.said_fine,
        told.total if told else 0,
        told.hits if told else 0,
        change.verdict.value if change else "",
        known(change.adjusted_p) if change else None,
    ]


def changes(found: Overview) -> Table:
    """The last season against those before, line by line."""
    head = (
        *("requirement", "item", "verdict"),
        *_rate_head("before"),
        *_rate_head("then"),
        *("limit_lower", "limit_upper", "raw_p", "like_p", "adjusted_p"),
    )
    rows = [[one.requirement, found.item(one.requirement), *_changed(one)] for one in found.changed.values()]
    return Table("changes", "Last season against before", head, rows)


def _changed(one: Compared) -> list[Value]:
    numbers = (one.limit_lower, one.limit_upper, one.raw_p, one.like_p, one.adjusted_p)
    return [one.verdict.value, *_rate(one.before), *_rate(one.after), *(known(number) for number in numbers)]


def groups(splits: Iterable[Split], items: Mapping[str, str], name: str = "groups") -> Table:
    """Groups of people against all others, those that stand out first."""
    head = (
        *("requirement", "item", "told_apart_by", "group", "stands_out"),
        *_rate_head("group"),
        *_rate_head("others"),
        "adjusted_p",
    )
    rows: list[list[Value]] = [
        [
            split.requirement,
            items.get(split.requirement, split.requirement),
            split.dimension,
            split.group,
            _yes(split.stands_out),
            *_rate(split.inside),
            *_rate(split.outside),
            known(split.adjusted_p),
        ]
        for split in splits
    ]
    return Table(name, "Groups against all others", head, rows)


# -- lists of lines, and what was written beside them


def lines(which: str, found: Overview, listed: Sequence[Recurrence]) -> Table:
    """One of the lists of lines: found late, surprises of the forecast, the locker, debrief remarks."""
    measures = OF_LINES[which]
    head = ("requirement", "item", *map(_column, measures), *RATE)
    rows: list[list[Value]] = [
        [
            line.requirement,
            found.item(line.requirement),
            *(numbers_of(line)[measure] for measure in measures),
            *_rate(line.rate),
        ]
        for line in listed
    ]
    return Table(which, COUNTED.get(which, which).capitalize(), head, rows)


def written(which: str, found: Overview, notes: Iterable[NoteLine]) -> Table:
    """What was written on trips that the reader may see."""
    head = ("trip", "trip_name", "began", "route", "about", "requirement", "item", "text")
    rows: list[list[Value]] = [
        [
            note.trip_id,
            note.name or note.trip_id,
            note.starts_on.isoformat(),
            note.route,
            note.about,
            note.requirement,
            found.item(note.requirement),
            note.text,
        ]
        for note in notes
    ]
    return Table(f"{which}-written", "What was written", head, rows)


def trips(name: str, behind: Iterable[TripBehind]) -> Table:
    """Trips behind a number; of those that the reader may not see, only their month."""
    rows: list[list[Value]] = [
        [
            trip.trip or "",
            trip.name if trip.trip else "",
            trip.starts_on.isoformat() if trip.trip else f"{trip.starts_on:%Y-%m}",
            trip.route,
            trip.kind,
            trip.counted,
            trip.asked,
        ]
        for trip in behind
    ]
    return Table(name, "Trips behind a number", (*TRIP, "counted", "asked"), rows)


# -- one requirement


def of_requirement(one: OneRequirement, table: str) -> Table | None:
    """A table of the page of one requirement; None where there is none of that name."""
    made = {
        "numbers": _numbers,
        "months": _months,
        "routes": _routes,
        "clearing": _clearing,
        "groups": _groups,
    }.get(table)
    return made(one) if made else None


def _groups(one: OneRequirement) -> Table:
    return groups(one.groups, {one.requirement: one.item}, _named(one, "groups"))


def _named(one: OneRequirement, table: str) -> str:
    return f"{one.requirement}-{table}"


def _numbers(one: OneRequirement) -> Table:
    rows: list[list[Value]] = [
        [_column(measure), COUNTED[measure], number] for measure, number in numbers_of(one.line).items()
    ]
    return Table(_named(one, "numbers"), "One line, counted", ("number", "means", "people"), rows)


def _months(one: OneRequirement) -> Table:
    head = ("season", "month", *RATE, "centre", "limit_lower", "limit_upper", "outside_limits", "ends_run")
    rows: list[list[Value]] = [
        [
            point.season,
            point.month,
            *_rate(point.rate),
            known(one.centre),
            known(point.lower),
            known(point.upper),
            _yes(point.outside),
            _yes(point.run),
        ]
        for point in one.points
    ]
    return Table(_named(one, "months"), "Through time", head, rows)


def _routes(one: OneRequirement) -> Table:
    rows: list[list[Value]] = [[route, *_rate(rate)] for route, rate in one.routes]
    return Table(_named(one, "routes"), "Across routes", ("route", *RATE), rows)


def _clearing(one: OneRequirement) -> Table:
    head = ("hours", "at_risk", "closed", "share_open", "share_lower", "share_upper")
    rows: list[list[Value]] = []
    if (curve := one.clearing) is not None:
        columns = (curve.times, curve.at_risk, curve.closed, curve.share, curve.lower, curve.upper)
        listed = (column.tolist() for column in columns)
        rows = [[known(value) for value in row] for row in zip(*listed, strict=True)]
    return Table(_named(one, "clearing"), "Share of gaps still open", head, rows)


# -- trials and letters


def trial_lines(result: Mapping[str, Any]) -> Table:
    """A trial line by line."""
    head = ("requirement", "item", *(column for _, column in TRIED))
    rows = [[row["id"], row["item"], *_tried(row)] for row in result["requirements"]]
    return Table("trial-lines", "Trial, line by line", head, rows)


def trial_trips(result: Mapping[str, Any], names: Mapping[str, str]) -> Table:
    """The trips of a trial that the reader may see, by id and name."""
    head = ("trip", "trip_name", *(column for _, column in TRIED))
    rows = [[id_, names[id_], *_tried(row)] for id_, row in result["by_trip"].items() if id_ in names]
    return Table("trial-trips", "Trial, trip by trip", head, rows)


def _tried(row: Mapping[str, Any]) -> list[Value]:
    return [row.get(name) for name, _ in TRIED]


def of_letter(numbers: Mapping[str, Any]) -> Table:
    """The numbers a letter was begun with."""
    return Table("letter-numbers", "Numbers of the letter", tuple(numbers["head"]), list(numbers["rows"]))
