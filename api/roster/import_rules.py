"""From the rows of a roster file to what they would change on a trip. Pure: nothing is stored here.

Three principles, so that a file can be tried without fear:

* a row with a cell that cannot be used is listed with row, column, value and remedy, and is left out whole;
* an empty cell, a missing column or a missing person changes nothing: files add and correct, never remove;
* reading back what was exported, unchanged, proposes no change at all.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from pydantic import ValidationError

from api.error_remedies import remedy_for
from api.journal.trip import MemberProfile, Role, RopeTeam
from api.roster import columns
from api.roster.proposals import (
    CellProblem,
    Change,
    Outcome,
    Proposal,
    RowResult,
    Table,
    TableRow,
    fingerprint,
    profile_changes,
)
from api.roster.rope_places import LARGEST_PLACE, NewId, like_rope, ropes_after, where
from api.roster.text import control_character, like_name, one_line, same_text, with_newlines

HEADER_SEARCH_ROWS = 10
LONGEST_ROPE_NAME = 120

_ROLES: dict[str, Role] = {
    **dict.fromkeys(
        ("lead", "lead guide", "leader", "head guide", "chief guide", "leading guide"), Role.LEAD
    ),
    **dict.fromkeys(("assistant", "assistant guide", "second guide", "asst", "asst guide"), Role.ASSISTANT),
    **dict.fromkeys(("climber", "client", "guest", "participant"), Role.CLIMBER),
}
ROLE_REMEDY = "Write one of: lead guide, assistant guide, climber."


def propose(
    table: Table,
    people: Mapping[str, MemberProfile],
    ropes: Sequence[RopeTeam],
    *,
    new_member_id: NewId,
    new_rope_id: NewId,
) -> Proposal:
    """Say what a roster file would change.

    Parameters
    ----------
    table
        The file's cells; the header row is looked for in the first ten rows.
    people
        Everyone on the trip now, by member id.
    ropes
        The rope teams now, in rope order.
    new_member_id, new_rope_id
        Called once for each new person and each new rope.

    Returns
    -------
    Proposal
        Every row of the file, each new, changed, same or refused. Rows are matched to people by the id that
        an export carries, else by name without regard to case and spacing.
    """
    header = _header_row(table)
    if header is None:
        return _unreadable(table)
    reader = _RowReader(header, table, people, new_member_id)
    below = [row for row in table.rows if row.number > header.number and _filled(row)]
    results = [reader.judge(row) for row in below]
    teams = ropes_after(results, ropes, new_rope_id)
    results = [_with_rope_change(result, ropes, teams) for result in results]
    return Proposal(
        rows=tuple(results),
        profiles=reader.changed_profiles(),
        ropes=teams,
        ropes_change=tuple(ropes) != teams,
        fields=tuple(reader.fields),
        unused=tuple((name, columns.nearest(name)) for name in reader.unused),
        not_in_file=tuple(p.name for member, p in people.items() if member not in reader.mentioned),
        notices=table.notices,
        problems=() if results else (_no_rows(header),),
        fingerprint=fingerprint(results, teams),
        header=header.number,
    )


def _filled(row: TableRow) -> bool:
    return any(cell.strip() for cell in row.cells)


def _header_row(table: Table) -> TableRow | None:
    for row in [row for row in table.rows if _filled(row)][:HEADER_SEARCH_ROWS]:
        meanings = {columns.meaning(cell) for cell in row.cells}
        if columns.NAME in meanings or {columns.FIRST_NAME, columns.LAST_NAME} & meanings:
            return row
    return None


def _no_rows(header: TableRow) -> CellProblem:
    message, remedy = "There is no row below the header.", "Write one person a row below the header."
    return CellProblem(header.number, columns.NAME, "", message, remedy)


def _unreadable(table: Table) -> Proposal:
    first = next((row for row in table.rows if _filled(row)), TableRow(1, ()))
    seen = ", ".join(cell.strip() for cell in first.cells if cell.strip())[:200]
    problem = CellProblem(
        first.number,
        columns.NAME,
        seen,
        "No column for names was found in the first rows." if seen else "The file is empty.",
        "Give the columns a header row and call one of them: name. "
        "Others may be: role, rope, order, contact, phone, email, language, about, size boot, size head …",
    )
    return Proposal((), {}, (), False, (), (), (), table.notices, (problem,), fingerprint([], ()))


class _RowReader:
    """Judges the rows of one file in order, remembering what earlier rows said."""

    def __init__(
        self, header: TableRow, table: Table, people: Mapping[str, MemberProfile], new_member_id: NewId
    ) -> None:
        self.fields: list[tuple[int, str, str]] = []
        self.unused: list[str] = []
        self.mentioned: set[str] = set()
        self._people = people
        self._faults = table.faults
        self._width = len(header.cells)
        self._new_member_id = new_member_id
        self._after: dict[str, MemberProfile] = {}
        """By member: the profile once the rows so far have counted."""
        self._row_of: dict[str, int] = {}
        self._places: dict[tuple[str, int], tuple[int, str | None]] = {}
        self._by_name: dict[str, list[str]] = {}
        for member, profile in people.items():
            self._by_name.setdefault(like_name(profile.name), []).append(member)
        sizes = frozenset(what for profile in people.values() for what in profile.sizes)
        for index, cell in enumerate(header.cells):
            what = columns.meaning(cell, sizes)
            if what is not None and what not in {known for _, _, known in self.fields}:
                self.fields.append((index, cell.strip(), what))
            elif cell.strip():
                self.unused.append(cell.strip())

    def changed_profiles(self) -> dict[str, MemberProfile]:
        """The people whom the rows so far add or change, as they would be."""
        return {m: profile for m, profile in self._after.items() if profile != self._people.get(m)}

    def judge(self, row: TableRow) -> RowResult:
        """What this row amounts to."""
        problems: list[CellProblem] = []
        notes: list[str] = []
        cells = self._cells(row, problems)
        name = _name(cells)
        member = self._whom(row.number, name, cells.get("id", ""), problems)
        before = self._after.get(member, self._people.get(member)) if member else None
        given = self._given(row.number, cells, name, before, problems, notes)
        rope = one_line(cells.get("rope", ""))
        place = self._place(row.number, rope, cells.get("order", ""), member, problems)
        profile = None if problems else self._profile(row.number, given, before, problems)
        if member:
            self.mentioned.add(member)
        if profile is None:
            return RowResult(row.number, Outcome.REFUSED, name or "(no name)", problems=tuple(problems))
        if member in self._row_of:
            notes.append(f"The same person as in row {self._row_of[member]}; this row counts on top of it.")
        member = member or self._new_member_id()
        self._remember(row.number, member, profile, rope, place)
        changes = profile_changes(before, profile) if before else ()
        outcome = Outcome.NEW if before is None else Outcome.CHANGED if changes else Outcome.SAME
        return RowResult(
            row.number, outcome, profile.name, member, profile, rope or None, place, changes, (), tuple(notes)
        )

    def _remember(self, row: int, member: str, profile: MemberProfile, rope: str, place: int | None) -> None:
        self.mentioned.add(member)
        self._row_of[member] = row
        self._after[member] = profile
        if place is not None:
            self._places[like_rope(rope), place] = (row, member)
        same_name = self._by_name.setdefault(like_name(profile.name), [])
        if member not in same_name:
            same_name.append(member)

    def _problem(self, row: int, what: str, value: str, message: str, remedy: str) -> CellProblem:
        cell, header = next(((i, header) for i, header, known in self.fields if known == what), (None, what))
        return CellProblem(row, header, value, message, remedy, cell)

    def _cells(self, row: TableRow, problems: list[CellProblem]) -> dict[str, str]:
        cells: dict[str, str] = {}
        for index, _, what in self.fields:
            value = with_newlines(row.cells[index]).strip() if index < len(row.cells) else ""
            fault = self._faults.get((row.number, index))
            found = control_character(value)
            if fault:
                problems.append(self._problem(row.number, what, value, fault, "Type the value itself."))
            elif found:
                message = f"It contains an invisible control character (U+{ord(found):04X})."
                problems.append(self._problem(row.number, what, value, message, "Type the value anew."))
            elif value:
                cells[what] = value
        beyond = [cell for cell in row.cells[self._width :] if cell.strip()]
        if beyond:
            message = "The row has more cells than the header."
            remedy = "Check the separators and quotes in this row: each value belongs under its header."
            problems.append(CellProblem(row.number, "(beyond the header)", beyond[0], message, remedy))
        return cells

    def _whom(self, row: int, name: str, given_id: str, problems: list[CellProblem]) -> str | None:
        """The person on the trip, or in an earlier row, that this row is about."""
        if given_id in self._people:
            return given_id
        found = self._by_name.get(like_name(name), []) if name else []
        if len(found) > 1:
            message = f"{len(found)} people on this trip are called {name}."
            remedy = (
                "Use a file exported from this trip (it tells them apart by id), or edit them on the page."
            )
            problems.append(self._problem(row, columns.NAME, name, message, remedy))
            return None
        return found[0] if found else None

    def _given(
        self,
        row: int,
        cells: Mapping[str, str],
        name: str,
        before: MemberProfile | None,
        problems: list[CellProblem],
        notes: list[str],
    ) -> dict[str, object]:
        """The parts of a profile that the row states."""
        given: dict[str, object] = {what: cells[what] for what in ("language", "about") if what in cells}
        if name:
            given["name"] = name
        elif before is None:
            message, remedy = "There is no name.", "Write the person's full name."
            problems.append(self._problem(row, columns.NAME, "", message, remedy))
        if "role" in cells:
            given["role"] = self._role(row, cells["role"], problems)
        elif before is None:
            given["role"] = Role.CLIMBER
            notes.append("No role is given; taken as climber.")
        contact = ", ".join(cells[what] for what in ("contact", "phone", "email") if what in cells)
        if contact:
            given["contact"] = contact
        given["sizes"] = {
            what.removeprefix(columns.SIZE_PREFIX): value
            for what, value in cells.items()
            if what.startswith(columns.SIZE_PREFIX)
        }
        return given

    def _role(self, row: int, written: str, problems: list[CellProblem]) -> Role | None:
        plain = columns.simplified(written)
        role = _ROLES.get(plain)
        if role is None:
            message = "This role is not known."
            if plain in ("guide", "mountain guide"):
                message = "This could be the lead guide or an assistant guide."
            problems.append(self._problem(row, "role", written, message, ROLE_REMEDY))
        return role

    def _place(
        self, row: int, rope: str, order: str, member: str | None, problems: list[CellProblem]
    ) -> int | None:
        """The place in rope order that the row asks for."""
        if len(rope) > LONGEST_ROPE_NAME:
            message, remedy = "The rope's name is too long.", f"Write at most {LONGEST_ROPE_NAME} characters."
            problems.append(self._problem(row, "rope", rope, message, remedy))
        if not order:
            return None
        digits = order.isascii() and order.isdigit() and len(order) <= 4
        place = int(order) if digits else 0
        taken = self._places.get((like_rope(rope), place))
        if not 1 <= place <= LARGEST_PLACE:
            message = "This is not a place in a rope order."
            remedy = f"Write a whole number from 1 (who leads) to {LARGEST_PLACE}, or leave it empty."
        elif not rope:
            message, remedy = "A place is given without a rope.", "Name the rope, or leave the place empty."
        elif taken and taken[1] != member:
            message = f"Place {place} on {rope} is given in row {taken[0]} already."
            remedy = "Give each person on a rope a place of their own, or leave it empty."
        else:
            return place
        problems.append(self._problem(row, "order", order, message, remedy))
        return None

    def _profile(
        self,
        row: int,
        given: Mapping[str, object],
        before: MemberProfile | None,
        problems: list[CellProblem],
    ) -> MemberProfile | None:
        stated = dict(given)
        if before is not None:
            kept = before.model_dump()
            sizes = given["sizes"] if isinstance(given["sizes"], dict) else {}
            differing = {k: v for k, v in given.items() if not same_text(v, kept[k])}
            stated = {**kept, **differing, "sizes": {**before.sizes, **sizes}}
        try:
            return MemberProfile.model_validate(stated)
        except ValidationError as error:
            for detail in error.errors():
                message, remedy = remedy_for(detail)
                where_ = [str(part) for part in detail["loc"]]
                is_size = where_[0] == "sizes" and len(where_) > 1
                what = columns.SIZE_PREFIX + where_[1] if is_size else where_[0]
                problems.append(self._problem(row, what, str(detail.get("input", "")), message, remedy))
            return None


def _name(cells: Mapping[str, str]) -> str:
    if columns.NAME in cells:
        return cells[columns.NAME]
    return " ".join(cells[what] for what in (columns.FIRST_NAME, columns.LAST_NAME) if what in cells)


def _with_rope_change(result: RowResult, before: Sequence[RopeTeam], after: Sequence[RopeTeam]) -> RowResult:
    if result.member is None or result.rope is None:
        return result
    old, new = where(result.member, before), where(result.member, after)
    if old == new:
        return result
    outcome = Outcome.CHANGED if result.outcome is Outcome.SAME else result.outcome
    return replace(result, outcome=outcome, changes=(*result.changes, Change("rope", old, new)))
