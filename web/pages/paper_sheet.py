"""A check sheet for one rope: the same order of people and things on paper and on the screen."""

from __future__ import annotations

import io
import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cache
from typing import Any

from api.call.paper import NoPaper
from api.errors import NotFound
from api.handson.rules import STATIONS, check_order, station_of
from api.journal.kinds import Known
from api.kitlist.schemas import Requirement
from api.readiness.evaluation import Evaluation
from api.readiness.lacks import applies, takes
from api.readiness.schemas import CAUTION
from web.rendering import HERE
from web.words import date_span, long_date

MOST_ACROSS = 12
"""People beside each other on a sheet: with more, no box is large enough for a pencil held in gloves."""
LOOSE = "loose"
"""Instead of a rope's id: everyone who is on no rope."""


@dataclass(frozen=True, slots=True)
class Row:
    """One line of a sheet: a thing, and of whom it is asked."""

    number: int
    requirement: Requirement
    subjects: frozenset[str]

    @property
    def tried(self) -> bool:
        return takes(self.requirement) is Known.TRIED


@dataclass(frozen=True, slots=True)
class Sheet:
    """A sheet for one rope: the same order of people and things on paper and on the screen."""

    group: str
    name: str
    subjects: tuple[tuple[str, str], ...]
    """(id, name) of each column: the people in rope order, then the rope itself."""
    rows: tuple[Row, ...]

    def stations(self) -> list[tuple[str, list[Row]]]:
        """The rows by station, with its title."""
        return [
            (station.title, rows)
            for station in STATIONS
            if (rows := [row for row in self.rows if station_of(row.requirement.zone) is station])
        ]

    def name_of(self, subject: str) -> str:
        """The name at the head of a column. Raises NotFound."""
        found = dict(self.subjects).get(subject)
        if found is None:
            raise NotFound("There is nobody like this on the sheet. Choose a name from it.")
        return found


def item_words(requirement: Requirement) -> str:
    """A thing with how many are asked of each."""
    many = requirement.how_many
    if many.computed is not None or many.count == 1:
        return requirement.item
    return f"{requirement.item}: {many.count:g}{' ' + many.unit if many.unit else ''}"


def sheet_of(evaluation: Evaluation, group: str) -> Sheet:
    """The sheet of a rope, or of those on no rope. Raises NotFound."""
    picture = evaluation.picture
    rope = next((rope for rope in picture.rope_teams if rope.id == group), None)
    roped = {member for each in picture.rope_teams for member in each.members}
    if rope is not None:
        name, columns = rope.name, (*rope.members, rope.id)
    elif group == LOOSE:
        loose = sorted(set(picture.members) - roped, key=lambda member: picture.profiles[member].name)
        name, columns = "Not on a rope", tuple(loose)
    else:
        raise NotFound(f"There is no rope “{group}” on this trip. Choose one from the page.")
    subjects = {s.id: s for s in evaluation.lacks.subjects} if evaluation.lacks else {}
    rows: list[Row] = []
    for requirement in _in_order(evaluation):
        asked = [id_ for id_ in columns if id_ in subjects and applies(requirement, subjects[id_])]
        if asked:
            rows.append(Row(len(rows) + 1, requirement, frozenset(asked)))
    titles = {
        **{m: p.name for m, p in picture.profiles.items()},
        **{r.id: r.name for r in picture.rope_teams},
    }
    return Sheet(group, name, tuple((id_, titles[id_]) for id_ in columns), tuple(rows))


def _in_order(evaluation: Evaluation) -> list[Requirement]:
    """What is asked on the trip, in the order of a check; optional things are left out."""
    edition, asks = evaluation.edition, evaluation.asks
    if edition is None or asks is None:
        return []
    asked = [
        (check_order(requirement.zone, place), requirement)
        for place, requirement in enumerate(edition.requirements)
        if not requirement.optional and asks.asked[:, :, asks.checks_of_requirement(place)[0]].any()
    ]
    return [requirement for _, requirement in sorted(asked, key=lambda pair: pair[0])]


def sheet_data(
    evaluation: Evaluation, sheet: Sheet, address: str, now: datetime, paper: str
) -> dict[str, Any]:
    """Everything that stands on a sheet."""
    plan = evaluation.plan
    printed = now.astimezone(plan.place.zone)
    return {
        "title": f"Check sheet: {sheet.name}",
        "under": f"{plan.name}, {date_span(plan.starts_on, plan.ends_on)}. Printed"
        f" {long_date(printed.date())}, {printed:%H:%M}, from entry {evaluation.seq}.",
        "paper": paper,
        "caution": CAUTION,
        "qr": _qr(address),
        "tables": _tables(sheet),
    }


def _tables(sheet: Sheet) -> list[dict[str, Any]]:
    """The parts of a sheet: as many for the people as they need, then what the rope carries together."""
    people = [subject for subject in sheet.subjects if subject[0] != sheet.group]
    together = [subject for subject in sheet.subjects if subject[0] == sheet.group]
    parts = [people[at : at + MOST_ACROSS] for at in range(0, len(people), MOST_ACROSS)]
    return [_table(sheet, columns) for columns in (*parts, together)]


def _table(sheet: Sheet, columns: Sequence[tuple[str, str]]) -> dict[str, Any]:
    """One part of a sheet: what is asked of these people, or of the rope."""
    ids = {id_ for id_, _ in columns}
    return {
        "columns": [name for _, name in columns],
        "stations": [
            {
                "title": title,
                "rows": [
                    {
                        "number": row.number,
                        "item": item_words(row.requirement),
                        "tried": row.tried,
                        "boxes": [subject in row.subjects for subject, _ in columns],
                    }
                    for row in rows
                    if row.subjects & ids
                ],
            }
            for title, rows in sheet.stations()
            if any(row.subjects & ids for row in rows)
        ],
    }


def _qr(address: str) -> str:
    import segno

    written = io.BytesIO()
    segno.make(address, error="m", micro=False).save(written, kind="svg", scale=4, border=2)
    return written.getvalue().decode()


@cache
def _template() -> bytes:
    return (HERE / "templates" / "paper" / "check.typ").read_bytes()


def sheet_pdf(data: dict[str, Any], at: datetime) -> bytes:
    """A PDF of the sheet with its fonts in it. Raises NoPaper when the optional part is not installed."""
    try:
        import typst
    except ImportError as error:
        raise NoPaper("A sheet to print needs: pip install 'rimaye[pdf]'.") from error
    made: bytes = typst.compile(
        _template(),
        format="pdf",
        sys_inputs={"data": json.dumps(data)},
        timestamp=int(at.astimezone(UTC).timestamp()),
        ignore_system_fonts=True,
    )
    return made
