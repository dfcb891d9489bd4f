"""Acclimatisation on a board: in words for the guides of the trip, as counts for everyone else. Pure.

Kept out of `board` so that a name is on a board only where somebody put it there for a guide.
"""

from collections import Counter
from collections.abc import Iterable, Mapping

from api.journal.fold import Picture
from api.kitlist.schemas import NIGHT_LINES
from api.nights.state import Acclimatisation, everyone, held_by_erased
from api.readiness.evaluation import Evaluation
from api.readiness.night_findings import PRIVATE
from api.readiness.schemas import (
    AcclimatisationCounts,
    AcclimatisationLine,
    Board,
    Finding,
    PersonLine,
    Reason,
)

ERASED_SINCE = "erased since; what it said can never be read again"


def with_acclimatisation(
    shown: Board, evaluation: Evaluation, *, named: bool, gone: Iterable[str] = ()
) -> Board:
    """A board with where people stand against the guideline.

    Parameters
    ----------
    shown, evaluation
        The board, and what it was made of.
    named
        Whether its reader is a guide of the trip, who may see whose it is.
    gone
        Those whose notes have been erased since, on a board of a past moment.
    """
    stand = everyone(evaluation.picture, evaluation.nights, gone)
    counts = Counter(one.state.value for one in stand.values())
    update: dict[str, object] = {"acclimatisation": AcclimatisationCounts(**counts)}
    if named:
        update["ropes"] = tuple(
            rope.model_copy(update={"people": _told(rope.people, stand)}) for rope in shown.ropes
        )
        update["unroped"] = _told(shown.unroped, stand)
    return shown.model_copy(update=update)


def _told(people: Iterable[PersonLine], stand: Mapping[str, Acclimatisation]) -> tuple[PersonLine, ...]:
    return tuple(
        line.model_copy(
            update={"acclimatisation": AcclimatisationLine(state=one.state, words=one.words)}
            if (one := stand.get(line.member)) is not None
            else {}
        )
        for line in people
    )


def without_nights(shown: Board) -> Board:
    """A board without anything about nights and notes, for keeping where others may find it; counts stay."""
    return shown.model_copy(
        update={
            "findings": tuple(f for f in shown.findings if f.requirement not in NIGHT_LINES),
            "accepted": tuple(f for f in shown.accepted if f.requirement not in NIGHT_LINES),
        }
    )


def as_it_can_be_read(shown: Board, evaluation: Evaluation, now: Picture, *, named: bool) -> Board:
    """A board of a past moment as it reads now: where notes were erased since, it says so.

    Only for reading: what is evaluated again to check a call must stay as it was.
    """
    gone = held_by_erased(evaluation.picture, now)
    update = {
        "findings": tuple(_erased(finding, gone) for finding in shown.findings),
        "accepted": tuple(_erased(finding, gone) for finding in shown.accepted),
    }
    return with_acclimatisation(shown.model_copy(update=update), evaluation, named=named, gone=gone)


def _erased(finding: Finding, gone: Iterable[str]) -> Finding:
    if finding.requirement != PRIVATE or finding.subject not in gone:
        return finding
    return finding.model_copy(
        update={
            "title": f"{finding.subject_name}: {finding.item} – {ERASED_SINCE}",
            "reasons": (Reason(kind=finding.kind, says=ERASED_SINCE),),
        }
    )
