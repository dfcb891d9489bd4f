"""The fold: what a set of journal entries amounts to. Pure, and blind to the order in which entries came.

How entries about the same thing are weighed:

* An entry replaces those of its register that its writer knew (`after`). What nobody replaces are the *heads*
  of a register.
* One head: it stands. Several heads: their writers had not seen each other. For gear this is kept as it is,
  because two guides who disagree must be seen to disagree; for the plan, a person, a rope, a night or a hold
  point the head written last stands, and the picture says under `split` that there were several.
* A withdrawn entry counts for nothing, so what it replaced stands again, unless another entry written in
  knowledge of it stands: that writer knew what had been replaced.

Happened-at and id only order what is listed and settle ties the same way on every device.
"""

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any, Generic, TypeVar, cast
from uuid import UUID

from api.journal.decisions import (
    CallCountersigned,
    CallMade,
    DebriefNote,
    HoursSet,
    PaceSet,
    TripwireCrossed,
    TripwireSet,
    TurnaroundSet,
    ViewGiven,
)
from api.journal.entry import Actor, Entry
from api.journal.health import ConsentGiven, HealthErased, HealthNote
from api.journal.kinds import (
    AcceptanceEnded,
    Body,
    FlagAccepted,
    FlagReleased,
    FlagTaken,
    ForecastChosen,
    ForecastReceived,
    GearShared,
    HoldPassed,
    IntentionTold,
    Key,
    LoanBody,
    MemberSet,
    NightTold,
    PartyRulesSet,
    Remark,
    RopesSet,
    Sighting,
    TripPlanned,
    Withdrawn,
)
from api.journal.trip import MemberProfile, RopeTeam, TripPlan

B = TypeVar("B", bound=Body)


@dataclass(frozen=True, slots=True)
class Record(Generic[B]):
    """A body with who wrote it, when and where."""

    body: B
    entry: UUID
    actor: Actor
    device: str
    happened_at: datetime


@dataclass(frozen=True, slots=True)
class Decided:
    """What guides think, watch for and have decided."""

    views: tuple[Record[ViewGiven], ...] = ()
    tripwires: Mapping[str, Record[TripwireSet]] = field(default_factory=dict)
    """Those that are watched, by id."""
    crossed: Mapping[str, Record[TripwireCrossed]] = field(default_factory=dict)
    """What someone saw crossed, by tripwire."""
    turnarounds: Mapping[str, Record[TurnaroundSet]] = field(default_factory=dict)
    paces: Mapping[str, Record[PaceSet]] = field(default_factory=dict)
    """By stage."""
    hours: Mapping[str, Record[HoursSet]] = field(default_factory=dict)
    """A guide's own hours, by stage."""
    calls: tuple[Record[CallMade], ...] = ()
    """In the order in which they were made."""
    countersigned: Mapping[UUID, Record[CallCountersigned]] = field(default_factory=dict)
    """By the call's entry."""
    debrief: tuple[Record[DebriefNote], ...] = ()


SubjectRequirement = tuple[str, str]
Unit = tuple[str, str, int]


@dataclass(frozen=True, slots=True)
class Picture:
    """What is known of a trip after some entries. Equal sets of entries give equal pictures."""

    plan: Record[TripPlanned] | None = None
    members: Mapping[str, Record[MemberSet]] = field(default_factory=dict)
    ropes: Record[RopesSet] | None = None
    sightings: Mapping[SubjectRequirement, tuple[Record[Sighting], ...]] = field(default_factory=dict)
    """By (subject, requirement); more than one record: writers who had not seen each other."""
    intentions: Mapping[SubjectRequirement, Record[IntentionTold]] = field(default_factory=dict)
    """What people say of things on their list, by (member, requirement)."""
    nights: Mapping[str, Mapping[date, Record[NightTold]]] = field(default_factory=dict)
    health_notes: Mapping[str, tuple[Record[HealthNote], ...]] = field(default_factory=dict)
    """Sealed, by member, in the order in which they happened."""
    health_erased: Mapping[str, Record[HealthErased]] = field(default_factory=dict)
    """Which keys are destroyed, by key id."""
    consents: Mapping[tuple[str, str], Record[ConsentGiven]] = field(default_factory=dict)
    """What people agreed to or took back, by (member, what)."""
    forecasts: tuple[Record[ForecastReceived], ...] = ()
    """In order of issue; the last is the newest."""
    forecast_choice: Record[ForecastChosen] | None = None
    holds_passed: Mapping[str, Record[HoldPassed]] = field(default_factory=dict)
    loans: Mapping[str, Record[LoanBody]] = field(default_factory=dict)
    """Where each loan stands: promised, handed out, returned or released; by loan id."""
    flags: Mapping[str, tuple[Record[FlagTaken | FlagReleased], ...]] = field(default_factory=dict)
    """Who has taken a flag, by finding; several: they did not know of each other."""
    acceptances: Mapping[str, tuple[Record[FlagAccepted | AcceptanceEnded], ...]] = field(
        default_factory=dict
    )
    """By finding; several: they did not know of each other, and all must hold."""
    shares: Mapping[Unit, Record[GearShared]] = field(default_factory=dict)
    """Who carries what, by (subject, requirement, unit)."""
    party_rules: Record[PartyRulesSet] | None = None
    decided: Decided = field(default_factory=Decided)
    remarks: tuple[Record[Remark], ...] = ()
    split: tuple[Key, ...] = ()
    """Registers other than gear in which several entries stand side by side."""

    @property
    def trip(self) -> TripPlan | None:
        """The plan in force."""
        return self.plan.body.plan if self.plan else None

    @property
    def profiles(self) -> dict[str, MemberProfile]:
        """Everyone on the trip, by member id."""
        return {member: record.body.profile for member, record in self.members.items()}

    @property
    def rope_teams(self) -> tuple[RopeTeam, ...]:
        """The ropes, without people who have left the trip."""
        if self.ropes is None:
            return ()
        return tuple(
            rope.model_copy(update={"members": tuple(m for m in rope.members if m in self.members)})
            for rope in self.ropes.body.ropes
        )

    @property
    def newest_forecast(self) -> Record[ForecastReceived] | None:
        return self.forecasts[-1] if self.forecasts else None


EMPTY = Picture()


def standing(entries: Iterable[Entry]) -> dict[UUID, Entry]:
    """The entries that count, by id: each once, without those withdrawn."""
    by_id = {entry.id: entry for entry in entries}
    withdrawn = _withdrawn(by_id)
    return {id_: entry for id_, entry in by_id.items() if id_ not in withdrawn} if withdrawn else by_id


def heads(entries: Iterable[Entry]) -> dict[Key, tuple[Entry, ...]]:
    """For every register, the entries that nothing replaces, in order of (happened at, id)."""
    by_id = {entry.id: entry for entry in entries}
    return _heads(by_id, _withdrawn(by_id))


def _withdrawn(by_id: Mapping[UUID, Entry]) -> set[UUID]:
    taken_back = {entry.body.entry for entry in by_id.values() if isinstance(entry.body, Withdrawn)}
    return {id_ for id_ in taken_back if id_ in by_id and not isinstance(by_id[id_].body, Withdrawn)}


def _heads(by_id: Mapping[UUID, Entry], withdrawn: set[UUID]) -> dict[Key, tuple[Entry, ...]]:
    registers: defaultdict[Key, dict[UUID, Entry]] = defaultdict(dict)
    for id_, entry in by_id.items():
        key = entry.body.key()
        if key is not None:
            registers[key][id_] = entry
    found = {key: _register_heads(register, withdrawn) for key, register in registers.items()}
    return {key: standing_here for key, standing_here in found.items() if standing_here}


def _register_heads(register: Mapping[UUID, Entry], withdrawn: set[UUID]) -> tuple[Entry, ...]:
    counting = [entry for id_, entry in register.items() if id_ not in withdrawn]
    if len(counting) < 2:
        return tuple(counting)
    replaced = _replaced(counting, register, withdrawn)
    # Entries that replace each other in a ring cannot have been written so; none of them may vanish.
    unreplaced = [entry for entry in counting if entry.id not in replaced] or counting
    return tuple(sorted(unreplaced, key=_order))


def _replaced(counting: Iterable[Entry], register: Mapping[UUID, Entry], withdrawn: set[UUID]) -> set[UUID]:
    """What the counting entries of a register replace.

    Whoever knew an entry knew what that one had replaced, so a withdrawn entry hands on what it replaced to
    those written after it. Entries of other registers cannot be replaced from here.
    """
    replaced: set[UUID] = set()
    pending = [known for entry in counting for known in entry.after or ()]
    while pending:
        known = pending.pop()
        if known in replaced or known not in register:
            continue
        replaced.add(known)
        if known in withdrawn:
            pending.extend(register[known].after or ())
    return replaced


def fold(entries: Iterable[Entry]) -> Picture:
    """The picture that a set of entries of one trip amounts to.

    Parameters
    ----------
    entries
        Entries of one trip, in any order; repeated ids count once.

    Returns
    -------
    Picture
        The same for the same set, whatever the order, repetition or batching.
    """
    by_id = {entry.id: entry for entry in entries}
    withdrawn = _withdrawn(by_id)
    registers = _heads(by_id, withdrawn)
    unkeyed = [entry for id_, entry in by_id.items() if id_ not in withdrawn and entry.body.key() is None]
    plan: Record[TripPlanned] | None = None
    ropes: Record[RopesSet] | None = None
    members: dict[str, Record[MemberSet]] = {}
    sightings: dict[SubjectRequirement, tuple[Record[Sighting], ...]] = {}
    intentions: dict[SubjectRequirement, Record[IntentionTold]] = {}
    nights: defaultdict[str, dict[date, Record[NightTold]]] = defaultdict(dict)
    erased: dict[str, Record[HealthErased]] = {}
    consents: dict[tuple[str, str], Record[ConsentGiven]] = {}
    holds: dict[str, Record[HoldPassed]] = {}
    loans: dict[str, Record[LoanBody]] = {}
    flags: dict[str, tuple[Record[FlagTaken | FlagReleased], ...]] = {}
    acceptances: dict[str, tuple[Record[FlagAccepted | AcceptanceEnded], ...]] = {}
    shares: dict[Unit, Record[GearShared]] = {}
    rules: Record[PartyRulesSet] | None = None
    choice: Record[ForecastChosen] | None = None
    deciding: dict[Key, Entry] = {}
    split: list[Key] = []
    for key in sorted(registers):
        entries_here = registers[key]
        last = entries_here[-1]
        match last.body:
            case Sighting(subject=subject, requirement=requirement):
                sightings[subject, requirement] = tuple(record_of(entry) for entry in entries_here)
                continue
            case FlagTaken(finding=finding) | FlagReleased(finding=finding):
                flags[finding] = tuple(record_of(entry) for entry in entries_here)
                continue
            case FlagAccepted(finding=finding) | AcceptanceEnded(finding=finding):
                acceptances[finding] = tuple(record_of(entry) for entry in entries_here)
                continue
            case _ if key[0] in _DECIDING:
                deciding[key] = last
            case TripPlanned():
                plan = record_of(last)
            case RopesSet():
                ropes = record_of(last)
            case MemberSet(member=member):
                members[member] = record_of(last)
            case IntentionTold(member=member, requirement=requirement):
                intentions[member, requirement] = record_of(last)
            case NightTold(member=member, on=on):
                nights[member][on] = record_of(last)
            case HealthErased(key_id=key_id):
                erased[key_id] = record_of(last)
            case ConsentGiven(member=member, what=what):
                consents[member, what] = record_of(last)
            case HoldPassed(hold=hold):
                holds[hold] = record_of(last)
            case LoanBody(loan=loan):
                loans[loan] = record_of(last)
            case GearShared(subject=subject, requirement=requirement, unit=unit):
                shares[subject, requirement, unit] = record_of(last)
            case PartyRulesSet():
                rules = record_of(last)
            case ForecastChosen():
                choice = record_of(last)
        if len(entries_here) > 1:
            split.append(key)
    return Picture(
        plan=plan,
        members=members,
        ropes=ropes,
        sightings=sightings,
        intentions=intentions,
        nights={member: dict(sorted(told.items())) for member, told in nights.items()},
        health_notes=_by_member(_all_of(unkeyed, HealthNote)),
        health_erased=erased,
        consents=consents,
        forecasts=tuple(sorted(_all_of(unkeyed, ForecastReceived), key=_issue_order)),
        forecast_choice=choice,
        holds_passed=holds,
        loans=loans,
        flags=flags,
        acceptances=acceptances,
        shares=shares,
        party_rules=rules,
        decided=_decided(deciding, unkeyed),
        remarks=tuple(_all_of(unkeyed, Remark)),
        split=tuple(split),
    )


_DECIDING = frozenset(
    {"view", "tripwire", "tripwire-crossed", "turnaround", "pace", "hours", "countersigned"}
)
"""First words of the registers of the call, and of hours on the way."""


def _decided(registers: Mapping[Key, Entry], unkeyed: list[Entry]) -> Decided:
    views: list[Record[ViewGiven]] = []
    tripwires: dict[str, Record[TripwireSet]] = {}
    crossed: dict[str, Record[TripwireCrossed]] = {}
    turnarounds: dict[str, Record[TurnaroundSet]] = {}
    paces: dict[str, Record[PaceSet]] = {}
    hours: dict[str, Record[HoursSet]] = {}
    signed: dict[UUID, Record[CallCountersigned]] = {}
    for entry in registers.values():
        record = record_of(entry)
        match entry.body:
            case ViewGiven(view=view) if view != "withheld":
                views.append(record)
            case TripwireSet(tripwire=tripwire):
                tripwires[tripwire] = record
            case TripwireCrossed(tripwire=tripwire):
                crossed[tripwire] = record
            case TurnaroundSet(stage=stage):
                turnarounds[stage] = record
            case PaceSet(stage=stage):
                paces[stage] = record
            case HoursSet(stage=stage):
                hours[stage] = record
            case CallCountersigned(call=call):
                signed[call] = record
    return Decided(
        views=tuple(views),
        tripwires=tripwires,
        crossed=crossed,
        turnarounds=turnarounds,
        paces=paces,
        hours=hours,
        calls=tuple(_all_of(unkeyed, CallMade)),
        countersigned=signed,
        debrief=tuple(_all_of(unkeyed, DebriefNote)),
    )


def _all_of(entries: Iterable[Entry], kind: type[B]) -> list[Record[B]]:
    found = [entry for entry in entries if isinstance(entry.body, kind)]
    return [record_of(entry) for entry in sorted(found, key=_order)]


def _by_member(notes: Iterable[Record[HealthNote]]) -> dict[str, tuple[Record[HealthNote], ...]]:
    found: defaultdict[str, list[Record[HealthNote]]] = defaultdict(list)
    for record in notes:
        found[record.body.member].append(record)
    return {member: tuple(records) for member, records in found.items()}


def record_of(entry: Entry) -> Record[Any]:
    """An entry as a picture keeps it."""
    return Record(cast(Any, entry.body), entry.id, entry.actor, entry.device, entry.happened_at)


def _order(entry: Entry) -> tuple[datetime, UUID]:
    return entry.happened_at, entry.id


def _issue_order(record: Record[ForecastReceived]) -> tuple[datetime, datetime, UUID]:
    return record.body.issued_at, record.happened_at, record.entry
