"""The long way round: an edition against a trip through the ordinary path, entry by entry."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from sqlalchemy import Connection

from api.journal.entry import StoredEntry
from api.journal.fold import Picture
from api.journal.kinds import HoldPassed
from api.kitlist.schemas import Edition, Scope
from api.readiness.evaluation import Evaluation, evaluate
from api.readiness.schemas import GapKind
from api.readiness.service import Readiness
from api.readiness.stepping import Walk

UNTOLD = (GapKind.UNKNOWN, GapKind.UNANSWERED)


@dataclass
class Told:
    """What an edition would have said of one requirement of one member."""

    first: int | None = None
    worst: int = 0
    untold: bool = False


def walked(
    conn: Connection, readiness: Readiness, outfit: str, trip: str, edition: Edition
) -> dict[tuple[str, str], Told]:
    """By (member, requirement), going past every entry of the journal."""
    snapshot = readiness.journal.picture(conn, outfit, trip)

    def anew(picture: Picture, entries: Sequence[StoredEntry]) -> Evaluation | None:
        if picture.trip is None:
            return None
        usual = readiness.evaluation(conn, outfit, trip, seq=entries[-1].seq)
        return evaluate(trip, usual.seq, picture, usual.plan, edition, usual.conditions, usual.quantities)

    steps = Walk(anew)
    told: dict[tuple[str, str], Told] = {}
    for entry in snapshot.entries:
        if isinstance(entry.body, HoldPassed):
            continue  # it makes a stop of a fix, and nothing else
        steps.step(entry)
        if steps.evaluation is not None:
            _note(told, steps.evaluation, edition, entry.seq)
    return told


def _note(told: dict[tuple[str, str], Told], evaluation: Evaluation, edition: Edition, seq: int) -> None:
    for one in told.values():
        one.untold = False
    for finding in evaluation.findings:
        if finding.scope is not Scope.PERSON or edition.requirement(finding.requirement) is None:
            continue
        one = told.setdefault((finding.subject, finding.requirement), Told())
        if finding.kind in UNTOLD or not finding.conditions_known:
            one.untold = True
            continue
        one.first = seq if one.first is None else one.first
        one.worst = max(one.worst, finding.grade.weight)
