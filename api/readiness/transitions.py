"""What happened to flags between two states of a trip, each with its cause in the journal. Pure."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from uuid import UUID

from api.journal.entry import Entry
from api.journal.health import HealthErased, HealthNote
from api.journal.kinds import (
    FlagBody,
    FlagReleased,
    FlagTaken,
    ForecastReceived,
    GearShared,
    HoldPassed,
    LoanBody,
    MemberLeft,
    MemberSet,
    NightTold,
    PartyRulesSet,
    RopesSet,
    Sighting,
    TripPlanned,
    Withdrawn,
)
from api.readiness.evaluation import Evaluation
from api.readiness.life import life_of
from api.readiness.schemas import Finding, FlagState


class Happened(StrEnum):
    """What can happen to a flag."""

    OPENED = "opened"
    CHANGED = "changed"
    TAKEN = "taken"
    RELEASED = "released"
    ACCEPTED = "accepted"
    REOPENED = "reopened"
    CLEARED = "cleared"


@dataclass(frozen=True, slots=True)
class FlagEvent:
    """One thing that happened to one flag, and the entry that made it happen."""

    happened: Happened
    finding: str
    subject: str
    requirement: str
    what: str
    gap: str
    grade: str
    hold: str
    cause: UUID
    cause_kind: str
    because: str
    """In words: what was recorded, heard or decided, and what changed."""


class NoCause(ValueError):
    """Findings differ although nothing was written: something has been closed or opened silently."""


def transitions(before: Evaluation | None, after: Evaluation, entries: Sequence[Entry]) -> list[FlagEvent]:
    """Everything that happened to flags from one state to a later one.

    Parameters
    ----------
    before
        The trip before; None: before it had a plan.
    after
        The trip after.
    entries
        What was written in between.

    Raises
    ------
    NoCause
        Something differs, but there is no entry that could have caused it.
    """
    ids = dict.fromkeys((*_findings(before), *_findings(after)))
    return events_of(before, after, entries, ids)


def events_of(
    before: Evaluation | None, after: Evaluation, entries: Sequence[Entry], ids: Iterable[str]
) -> list[FlagEvent]:
    """Like `transitions`, for some findings only."""
    old, new = _findings(before), _findings(after)
    events = []
    for id_ in ids:
        was = _Flag.of(before, old.get(id_))
        now = _Flag.of(after, new.get(id_))
        step = _step(was, now)
        if step is not None:
            happened, says = step
            shown = now.finding or was.finding
            assert shown is not None
            events.append(_event(happened, shown, says, entries, was.finding))
    return events


def _findings(evaluation: Evaluation | None) -> dict[str, Finding]:
    return {finding.id: finding for finding in evaluation.findings} if evaluation else {}


@dataclass(frozen=True, slots=True)
class _Flag:
    """A finding with where its flag stands, apart from the clock."""

    finding: Finding | None
    state: FlagState | None
    taken_by: str | None
    until: object
    because: str

    @classmethod
    def of(cls, evaluation: Evaluation | None, finding: Finding | None) -> "_Flag":
        if evaluation is None or finding is None:
            return cls(None, None, None, None, "")
        picture = evaluation.picture
        if finding.id not in picture.flags and finding.id not in picture.acceptances:
            return cls(finding, FlagState.OPEN, None, None, "")
        life = life_of(evaluation, finding, None)
        state = FlagState.REOPENED if life.changes else life.state
        return cls(finding, state, life.taken_by, life.until, life.because)

    @property
    def shape(self) -> tuple[object, ...]:
        """What makes a finding another one to its reader."""
        f = self.finding
        if f is None:
            return ()
        return f.kind, f.grade, f.hold, tuple((r.says, r.answer, r.asked) for r in f.reasons)


def _step(was: _Flag, now: _Flag) -> tuple[Happened, str] | None:
    """What happened, and what changed in words; None when nothing did."""
    if now.finding is None:
        return None if was.finding is None else (Happened.CLEARED, "")
    accepted = now.state is FlagState.ACCEPTED
    if accepted and was.state is not FlagState.ACCEPTED:
        return Happened.ACCEPTED, ""
    if now.state is FlagState.REOPENED and (was.finding is None or was.state is FlagState.ACCEPTED):
        return Happened.REOPENED, now.because
    if was.finding is None:
        return Happened.OPENED, ""
    if was.shape != now.shape:
        return Happened.CHANGED, _difference(was.finding, now.finding)
    if now.taken_by is not None and (now.taken_by, now.until) != (was.taken_by, was.until) and not accepted:
        return Happened.TAKEN, ""
    if was.taken_by is not None and now.taken_by is None and not accepted:
        return Happened.RELEASED, ""
    return None


def _difference(was: Finding, now: Finding) -> str:
    parts = []
    if (was.grade, was.hold) != (now.grade, now.hold):
        parts.append(
            f"now {now.grade.value} before {now.hold_name}, was {was.grade.value} before {was.hold_name}"
        )
    old, new = was.reasons[0], now.reasons[0]
    if old.says != new.says:
        parts.append(f"now: {new.says.rstrip('.')}")
    if new.asked and old.asked and old.asked != new.asked:
        parts.append(f"asked {new.asked}, was {old.asked}")
    if not parts:
        parts.append("what is known about it has changed")
    return "; ".join(parts)


def _event(
    happened: Happened, finding: Finding, says: str, entries: Sequence[Entry], was: Finding | None
) -> FlagEvent:
    cause = cause_of(finding, entries)
    told = in_words(cause, finding)
    if happened is Happened.CLEARED and isinstance(cause.body, ForecastReceived | TripPlanned):
        told = f"{told}: not asked any more"
    return FlagEvent(
        happened=happened,
        finding=finding.id,
        subject=finding.subject,
        requirement=finding.requirement,
        what=finding.title,
        gap=finding.kind.value,
        grade=finding.grade.value,
        hold=finding.hold.value,
        cause=cause.id,
        cause_kind=cause.kind,
        because=" ".join(_sentence(part) for part in (told, says) if part),
    )


def _sentence(text: str) -> str:
    """With a capital and a full stop."""
    return f"{text[0].upper()}{text[1:].rstrip('.')}."


def cause_of(finding: Finding, entries: Sequence[Entry]) -> Entry:
    """The entry that best explains what happened to a finding: the closest to it, and of these the last.

    Raises NoCause when nothing was written.
    """
    if not entries:
        raise NoCause(f"{finding.id} differs, but nothing was written in between")
    return min(reversed(entries), key=lambda entry: _distance(finding, entry))


def _distance(finding: Finding, entry: Entry) -> int:
    match entry.body:
        case FlagBody(finding=id_) if id_ == finding.id:
            return 0
        case Sighting(subject=subject, requirement=requirement) if (subject, requirement) == (
            finding.subject,
            finding.requirement,
        ):
            return 0
        case LoanBody(terms=terms) if (terms.subject, terms.requirement) == (
            finding.subject,
            finding.requirement,
        ):
            return 1
        case Sighting(subject=subject) if subject == finding.subject:
            return 1
        case NightTold(member=member) | HealthNote(member=member) | HealthErased(member=member) if (
            member == finding.subject
        ):
            return 1
        case Withdrawn():
            return 2
        case ForecastReceived() | TripPlanned():
            return 3
        case RopesSet() | PartyRulesSet() | GearShared() | MemberSet() | MemberLeft():
            return 4
        case HoldPassed():
            return 5
    return 6


def in_words(entry: Entry, finding: Finding) -> str:
    """An entry as the cause of something."""
    who = entry.actor.name
    match entry.body:
        case Sighting(requirement=requirement, known=known, state=state, remark=remark):
            told = f" ({remark})" if remark else ""
            what = "it" if requirement == finding.requirement else requirement.replace("-", " ")
            return f"{who} recorded {what}: {known.value}, {_STATES[state.value]}{told}"
        case ForecastReceived(label=label, provider=provider):
            return f"Forecast {label} from {provider}"
        case TripPlanned():
            return f"{who} changed the plan"
        case FlagTaken(note=note):
            return f"{who} took it" + (f": {note}" if note else "")
        case FlagReleased(note=note):
            return f"{who} gave it back" + (f": {note}" if note else "")
        case FlagBody():
            reason = getattr(entry.body, "reason", "")
            did = "accepted it" if entry.kind == "flag-accepted" else "took the acceptance back"
            return f"{who} {did}" + (f": {reason}" if reason else "")
        case HoldPassed():
            return "A hold point was passed"
        case NightTold():
            return f"{who} recorded where {finding.subject_name} slept"
        case HealthNote():
            return f"{who} wrote a private note"
        case HealthErased():
            return "Private notes were erased"
        case RopesSet():
            return f"{who} changed the ropes"
        case PartyRulesSet():
            return f"{who} set the trip's ratio and party rules"
        case GearShared():
            return f"{who} shared out gear"
        case MemberSet(profile=profile):
            return f"{profile.name} is on the trip"
        case MemberLeft():
            return f"{finding.subject_name} is not on the trip any more"
        case Withdrawn():
            return f"{who} took an entry back"
    return f"{who} wrote an entry ({entry.kind})"


_STATES = {"fits": "fits", "unfit": "not fit", "absent": "not there"}


def asked_again(events: Iterable[FlagEvent]) -> list[str]:
    """The findings that a change put before people anew: reopened, or changed in grade or gap."""
    again = (Happened.REOPENED, Happened.CHANGED)
    return list(dict.fromkeys(event.finding for event in events if event.happened in again))
