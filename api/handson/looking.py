"""What a guide's tap on a thing writes: one record that keeps what others knew better. Pure.

`web/static/check/picture.js` is the same on a phone.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from uuid import UUID

from api.journal.fold import Record
from api.journal.kinds import Answer, GearState, Known, Sighting
from api.kitlist.schemas import Question, Requirement
from api.readiness.lacks import Holding, contradict, worth
from api.readiness.schemas import Finding, GapKind

Records = Sequence[Record[Sighting]]

TAPS: Mapping[str, tuple[Known, GearState]] = {
    "seen": (Known.SEEN, GearState.FITS),
    "tried": (Known.TRIED, GearState.FITS),
    "unfit": (Known.SEEN, GearState.UNFIT),
    "absent": (Known.SEEN, GearState.ABSENT),
}
"""What each button says about a thing."""


@dataclass(frozen=True, slots=True)
class ToWrite:
    """A record to be written, and the entries that it replaces."""

    body: Sighting
    after: tuple[UUID, ...]


def look(subject: str, requirement: str, records: Records, known: Known, state: GearState) -> ToWrite:
    """A look at a thing.

    It replaces what was known, but for a record that agrees and knows more: who sees a helmet does not undo
    that another guide tried it on. What was answered before stays answered while the thing stays as it was.
    """
    bare = Sighting(subject=subject, requirement=requirement, known=known, state=state)
    if Holding(tuple(records), 1).disagree:
        return ToWrite(bare, tuple(record.entry for record in records))
    replaced = [record for record in records if not _knows_more(record, bare)]
    same = [record.body for record in replaced if record.body.state is state]
    if not same or state is GearState.ABSENT:
        return ToWrite(bare, tuple(record.entry for record in replaced))
    last = same[-1]
    carried = {
        "answers": {question: answer for body in same for question, answer in body.answers.items()},
        "count": last.count,
        "stand_in": last.stand_in,
        "remark": last.remark,
        "photo": last.photo,
    }
    return ToWrite(bare.model_copy(update=carried), tuple(record.entry for record in replaced))


def told(
    subject: str,
    requirement: str,
    records: Records,
    writer: str,
    *,
    answers: Mapping[str, Answer] | None = None,
    count: float | None = None,
    stand_in: str | None = None,
    remark: str | None = None,
    photo: str | None = None,
) -> ToWrite | None:
    """A detail told about a thing; None while nobody has looked at it, or while records disagree.

    Who tells it has seen the thing; that someone else tried it stays theirs.
    """
    best = Holding(tuple(records), 1).record
    if best is None:
        return None
    own = best.actor.id == writer
    base = look(subject, requirement, records, best.body.known if own else Known.SEEN, best.body.state)
    changes = {
        "answers": {**base.body.answers, **(answers or {})},
        "count": base.body.count if count is None else count,
        "stand_in": base.body.stand_in if stand_in is None else stand_in,
        "remark": base.body.remark if remark is None else remark,
        "photo": base.body.photo if photo is None else photo,
    }
    body = base.body.model_copy(update=changes)
    after = tuple(record.entry for record in records if not _knows_more(record, body))
    return ToWrite(body, after)


def _knows_more(record: Record[Sighting], new: Sighting) -> bool:
    return worth(record).rung > new.known.rung and not contradict(record.body, new)


def open_questions(finding: Finding | None, requirement: Requirement) -> tuple[Question, ...]:
    """The fitness questions of a thing that can be answered now and are not."""
    if finding is None:
        return ()
    open_ids = [
        reason.question
        for reason in finding.reasons
        if reason.kind is GapKind.UNANSWERED and reason.answer is None
    ]
    return tuple(question for question in requirement.questions if question.id in open_ids)


def count_open(finding: Finding | None) -> bool:
    """Whether how much there is has still to be said."""
    return (
        finding is not None
        and any(r.kind is GapKind.UNANSWERED and r.question is None for r in finding.reasons)
        and all(seen.count is None for seen in finding.evidence)
    )


def to_look_at(finding: Finding | None) -> bool:
    """Whether a guide can move this on by looking, trying or asking."""
    if finding is None:
        return False
    if finding.kind is GapKind.UNANSWERED:
        asked = any(
            r.kind is GapKind.UNANSWERED and r.question is not None and r.answer is None
            for r in finding.reasons
        )
        return asked or count_open(finding)
    return finding.kind in (GapKind.UNKNOWN, GapKind.UNSEEN, GapKind.DISAGREE)
