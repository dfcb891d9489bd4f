"""Use cases of roster files: preview one, take over its good rows, write one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import count

from sqlalchemy import Connection

from api.access.current import Reader
from api.db import Work
from api.errors import Conflict, FieldProblem
from api.journal.fold import Picture
from api.journal.kinds import MemberSet, RopesSet
from api.journal.pictures import Snapshot
from api.journal.service import Journal
from api.roster.export import CSV_TYPE, XLSX_TYPE, roster_rows, to_csv, to_xlsx
from api.roster.import_rules import propose
from api.roster.proposals import Outcome, Proposal, RowResult, Table
from api.roster.service import MOST_PEOPLE, in_rope_order, new_member_id, new_rope_id


class ProposalChanged(Conflict):
    """The trip, or the file, is not as it was when the preview was made; look at what would change now."""

    code = "proposal-changed"
    title = "Please look again before taking this over"


class NothingUsable(Conflict):
    """No row of the file can be taken over; every one is listed with its remedy."""

    code = "nothing-usable"
    title = "No row can be taken over"


@dataclass(frozen=True, slots=True)
class Imported:
    """What was taken over."""

    seq: int
    added: int
    updated: int
    changed: bool
    left_out: tuple[RowResult, ...]
    header: int
    """Number of the file's header row."""


def preview(
    conn: Connection, journal: Journal, reader: Reader, trip_id: str, table: Table
) -> tuple[Snapshot, Proposal]:
    """What a file would change on the trip as it is now. Nothing is stored."""
    snapshot = journal.picture(conn, reader.outfit, trip_id)
    return snapshot, _proposal(table, snapshot.picture, preview_only=True)


def names_in(proposal: Proposal, picture: Picture) -> dict[str, str]:
    """Names by member id, those included whom the file would add."""
    names = {member: profile.name for member, profile in picture.profiles.items()}
    return names | {row.member: row.name for row in proposal.rows if row.member}


def confirm(
    work: Work,
    journal: Journal,
    reader: Reader,
    trip_id: str,
    table: Table,
    fingerprint: str,
    *,
    device: str,
) -> Imported:
    """Take over the good rows of a file, all in one work, exactly as the preview showed them.

    Raises
    ------
    ProposalChanged
        When the same file would change something else by now; nothing is stored.
    NothingUsable
        When every row is refused.
    """
    snapshot = journal.picture(work, reader.outfit, trip_id)
    proposal = _proposal(table, snapshot.picture, preview_only=False)
    if proposal.fingerprint != fingerprint:
        raise ProposalChanged(
            "Someone changed the people or ropes of this trip after the preview. Nothing was stored; "
            "look at what the file would change now, and confirm that.",
            extra={"seq": snapshot.seq, "fingerprint": proposal.fingerprint},
        )
    _check_usable(proposal, snapshot.picture)
    left_out = proposal.with_outcome(Outcome.REFUSED)
    bodies: list[MemberSet | RopesSet] = [
        MemberSet(member=member, profile=profile) for member, profile in proposal.profiles.items()
    ]
    if proposal.ropes_change:
        bodies.append(RopesSet(ropes=proposal.ropes))
    added = sum(member not in snapshot.picture.members for member in proposal.profiles)
    seq = snapshot.seq
    if bodies:
        outcomes = journal.write(work, reader, trip_id, *bodies, device=device, seen_seq=snapshot.seq)
        seq = max(outcome.seq or 0 for outcome in outcomes)
    return Imported(seq, added, len(proposal.profiles) - added, bool(bodies), left_out, proposal.header)


def _check_usable(proposal: Proposal, picture: Picture) -> None:
    refused = proposal.with_outcome(Outcome.REFUSED)
    if proposal.problems or (proposal.rows and len(refused) == len(proposal.rows)):
        problems = [*proposal.problems, *(problem for row in refused for problem in row.problems)]
        raise NothingUsable(
            "Nothing was stored. Correct the cells that are listed and try again.",
            fields=[
                FieldProblem(f"row {p.row}, {p.column}", p.value, p.remedy, p.message) for p in problems[:200]
            ],
        )
    people = {*picture.members, *proposal.profiles}
    if len(people) > MOST_PEOPLE:
        raise Conflict(f"The trip would have {len(people)} people; at most {MOST_PEOPLE} are possible.")


def _proposal(table: Table, picture: Picture, *, preview_only: bool) -> Proposal:
    if not preview_only:
        return propose(
            table,
            picture.profiles,
            picture.rope_teams,
            new_member_id=new_member_id,
            new_rope_id=new_rope_id,
        )
    people, ropes = count(1), count(1)
    return propose(
        table,
        picture.profiles,
        picture.rope_teams,
        new_member_id=lambda: f"new-{next(people)}",
        new_rope_id=lambda: f"new-rope-{next(ropes)}",
    )


def exported(
    conn: Connection, journal: Journal, reader: Reader, trip_id: str, kind: str
) -> tuple[bytes, str, str]:
    """The roster as ``csv`` or ``xlsx``: content, media type, file name."""
    snapshot = journal.picture(conn, reader.outfit, trip_id)
    header, rows = roster_rows(in_rope_order(snapshot.picture), snapshot.picture.rope_teams)
    content, media_type = _written(header, rows, kind)
    return content, media_type, f"{trip_id}-roster.{kind}"


def _written(header: Sequence[str], rows: Sequence[Sequence[str]], kind: str) -> tuple[bytes, str]:
    if kind == "xlsx":
        return to_xlsx(header, rows), XLSX_TYPE
    return to_csv(header, rows), CSV_TYPE
