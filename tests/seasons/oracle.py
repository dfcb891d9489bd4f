"""The long way round: an edition against a trip through the ordinary path, entry by entry."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection

from api.journal.entry import StoredEntry
from api.journal.fold import Picture
from api.journal.kinds import HoldPassed
from api.kitlist.schemas import Edition
from api.readiness.evaluation import Evaluation, evaluate
from api.readiness.schemas import GapKind
from api.readiness.service import Readiness
from api.readiness.stepping import Walk
from api.seasons.trial import Counted, Effect

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
        if edition.requirement(finding.requirement) is None:
            continue
        one = told.setdefault((finding.subject, finding.requirement), Told())
        if finding.kind in UNTOLD or not finding.conditions_known:
            one.untold = True
            continue
        one.first = seq if one.first is None else one.first
        one.worst = max(one.worst, finding.grade.weight)


def plain(counted: Counted) -> dict[str, int]:
    """The counts of a trial that the ordinary path can be asked for."""
    names = ("flagged_before", "flagged_after", "come", "gone", "earlier", "later", "heavier", "lighter")
    return {name: getattr(counted, name) for name in (*names, "untold_before", "untold_after")}


def the_long_way(effect: Effect, trips: Sequence[tuple[Any, Any]]) -> dict[str, int]:
    """The same counts from walks through trips, each with the list before and after."""
    nothing = Told()
    result = dict.fromkeys(plain(effect.total), 0)
    for before, after in trips:
        keys = {key for key in itertools.chain(before, after) if key[1] == effect.requirement}
        for key in keys:
            was, now = before.get(key, nothing), after.get(key, nothing)
            both = was.first is not None and now.first is not None
            result["flagged_before"] += was.first is not None
            result["flagged_after"] += now.first is not None
            result["come"] += was.first is None and now.first is not None
            result["gone"] += was.first is not None and now.first is None
            result["earlier"] += both and now.first < was.first
            result["later"] += both and now.first > was.first
            result["heavier"] += both and now.worst > was.worst
            result["lighter"] += both and now.worst < was.worst
            result["untold_before"] += was.untold
            result["untold_after"] += now.untold
    return result
