"""The hands-on check, sorted for going through it: who and what is left, and what comes next. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import cached_property
from itertools import groupby
from uuid import UUID

from api.errors import NotFound
from api.handson.compiled import flags, forecast
from api.handson.looking import count_open, open_questions, to_look_at
from api.handson.rules import NOW_WITHIN, Look, Station, check_order, odd_clock, spent, station_of
from api.handson.schemas import FlagOn
from api.journal.entry import StoredEntry
from api.journal.fold import Record
from api.journal.kinds import PARTY, Sighting
from api.kitlist.schemas import Question, Requirement, Scope
from api.readiness.evaluation import Evaluation
from api.readiness.lacks import Holding, Subject, needed, takes
from api.readiness.schemas import Finding, GapKind


@dataclass(frozen=True, slots=True)
class Thing:
    """One thing to look at for one subject, with what is known of it."""

    subject: Subject
    requirement: Requirement
    holding: Holding
    finding: Finding | None
    asked: bool
    flag: FlagOn | None = None
    """What somebody has done about the finding."""

    @property
    def left(self) -> bool:
        return to_look_at(self.finding)

    @property
    def gap(self) -> bool:
        return self.finding is not None and self.finding.known_gap

    @property
    def must_be_tried(self) -> bool:
        return takes(self.requirement).value == "tried"

    @property
    def questions(self) -> tuple[Question, ...]:
        return open_questions(self.finding, self.requirement)

    @property
    def counts(self) -> bool:
        return count_open(self.finding)

    @property
    def finding_is_unseen(self) -> bool:
        """Whether the thing itself has still to be seen or tried, whatever may be asked about it."""
        return self.finding is not None and self.finding.kind is not GapKind.UNANSWERED

    @property
    def how_many(self) -> float:
        return needed(self.requirement.how_many, self.subject)

    @property
    def best(self) -> Record[Sighting] | None:
        return self.holding.record


@dataclass(frozen=True, slots=True)
class Progress:
    """How far someone is, and with whom."""

    subject: Subject
    things: int
    left: int
    gaps: int
    spent: timedelta
    last_by: str | None
    last_at: datetime | None
    now_with: str | None


class Walk:
    """A trip's check as it stands."""

    def __init__(self, evaluation: Evaluation, entries: Sequence[StoredEntry], now: datetime) -> None:
        self.evaluation = evaluation
        self.entries = entries
        self.now = now
        self._things: dict[str, list[Thing]] = {}
        self._found = {finding.id: finding for finding in evaluation.findings}
        self._flags = {id_: flag for id_, flag in flags(evaluation).items() if self._holds(flag)}
        self.forecast = forecast(evaluation)

    def _holds(self, flag: FlagOn) -> bool:
        return flag.until is None or self.moment(flag.until) > self.now

    @cached_property
    def subjects(self) -> dict[str, Subject]:
        """Everyone and everything that gear is asked of, by id."""
        return {s.id: s for s in self.evaluation.lacks.subjects} if self.evaluation.lacks else {}

    def subject(self, subject_id: str) -> Subject:
        """One of them. Raises NotFound."""
        if subject_id not in self.subjects:
            raise NotFound(f"Nobody and nothing called “{subject_id}” is on this trip. Go back to the list.")
        return self.subjects[subject_id]

    def things(self, subject_id: str) -> list[Thing]:
        """Everything on the list for someone, in the order of a check; what is not asked comes last."""
        if subject_id not in self._things:
            self.subject(subject_id)
            self._things[subject_id] = self._listed(subject_id)
        return self._things[subject_id]

    def _listed(self, subject_id: str) -> list[Thing]:
        evaluation = self.evaluation
        if evaluation.lacks is None or evaluation.asks is None:
            return []
        asks, lacks = evaluation.asks, evaluation.lacks
        p = next(place for place, subject in enumerate(lacks.subjects) if subject.id == subject_id)
        found = []
        for r, requirement in enumerate(lacks.edition.requirements):
            if (p, r) not in lacks.holdings:
                continue
            presence = asks.checks_of_requirement(r)[0]
            asked = bool(asks.asked[asks.base, :, presence].any())
            finding = self._found.get(f"{subject_id}.{requirement.id}")
            flag = self._flags.get(finding.id) if finding else None
            thing = Thing(lacks.subjects[p], requirement, lacks.holdings[p, r], finding, asked, flag)
            found.append((not asked, check_order(requirement.zone, r), thing))
        return [thing for _, _, thing in sorted(found, key=lambda one: one[:2])]

    def thing(self, subject_id: str, item: str) -> Thing:
        """One thing of one subject. Raises NotFound."""
        thing = next((t for t in self.things(subject_id) if t.requirement.id == item), None)
        if thing is None:
            raise NotFound(f"“{item}” is not on the kit list for {subject_id}. Go back to the list.")
        return thing

    def next_after(self, subject_id: str, item: str | None) -> Thing | None:
        """The next thing to look at, round the list once, from `item` on and without it."""
        things = self.things(subject_id)
        at = next((n for n, thing in enumerate(things) if thing.requirement.id == item), -1)
        round_once = [*things[at + 1 :], *things[: max(at, 0)]]
        return next((thing for thing in round_once if thing.left), None)

    def stations(self, subject_id: str) -> list[tuple[Station, list[Thing]]]:
        """The things asked of someone, station by station."""
        asked = [thing for thing in self.things(subject_id) if thing.asked]
        grouped = groupby(asked, key=lambda thing: station_of(thing.requirement.zone))
        return [(station, list(things)) for station, things in grouped]

    def not_asked(self, subject_id: str) -> list[Thing]:
        """What is on the list but not asked by this forecast and ground, or is optional."""
        return [thing for thing in self.things(subject_id) if not thing.asked]

    @cached_property
    def _looks(self) -> list[tuple[Look, str]]:
        return [
            (Look(entry.actor.id, entry.body.subject, entry.happened_at), entry.actor.name)
            for entry in self.entries
            if isinstance(entry.body, Sighting) and entry.actor.role != "climber"
        ]

    @cached_property
    def _spent(self) -> dict[str, timedelta]:
        return spent(look for look, _ in self._looks)

    def progress(self, subject_id: str) -> Progress:
        """How far someone is."""
        things = [thing for thing in self.things(subject_id) if thing.asked]
        looks = [(look, name) for look, name in self._looks if look.subject == subject_id]
        last, by = max(looks, key=lambda found: found[0].at) if looks else (None, None)
        recent = last is not None and timedelta(0) <= self.now - last.at <= NOW_WITHIN
        return Progress(
            subject=self.subject(subject_id),
            things=len(things),
            left=sum(thing.left for thing in things),
            gaps=sum(thing.gap for thing in things),
            spent=self._spent.get(subject_id, timedelta(0)),
            last_by=by,
            last_at=last.at if last else None,
            now_with=by if recent else None,
        )

    @cached_property
    def _received(self) -> dict[UUID, datetime]:
        return {entry.id: entry.received_at for entry in self.entries}

    @property
    def age_h(self) -> float:
        """How old the forecast is that things are asked by; 0 without one."""
        if self.forecast is None:
            return 0.0
        return (self.now - self.moment(self.forecast.issued_at)) / timedelta(hours=1)

    @staticmethod
    def moment(told: str) -> datetime:
        """A moment as it is carried to phones."""
        return datetime.fromisoformat(told)

    def odd(self, record: Record[Sighting]) -> str | None:
        """`ahead` or `behind` when the clock a record was written by was off."""
        received = self._received.get(record.entry)
        return odd_clock(record.happened_at, received) if received else None

    # -- calling out -----------------------------------------------------------------------------------------

    def group(self, group_id: str) -> list[Subject]:
        """The people of a rope in rope order, or of the whole party. Raises NotFound."""
        people = [subject for subject in self.subjects.values() if subject.scope is Scope.PERSON]
        if group_id == PARTY:
            roped = [m for rope in self.evaluation.picture.rope_teams for m in rope.members]
            return sorted(people, key=lambda s: roped.index(s.id) if s.id in roped else len(roped))
        for rope in self.evaluation.picture.rope_teams:
            if rope.id == group_id:
                return [self.subjects[member] for member in rope.members]
        raise NotFound(f"There is no rope “{group_id}” on this trip. Go back to the list.")

    def group_name(self, group_id: str) -> str:
        return "The party" if group_id == PARTY else self.subject(group_id).name

    def items_of(self, group_id: str) -> list[Requirement]:
        """What can be called out to a group, in the order of a check: what is asked of anyone in it."""
        found: dict[str, tuple[tuple[int, int, int], Requirement]] = {}
        for subject in self.group(group_id):
            for place, thing in enumerate(self.things(subject.id)):
                if thing.asked:
                    order = check_order(thing.requirement.zone, place)
                    found.setdefault(thing.requirement.id, (order, thing.requirement))
        return [requirement for _, requirement in sorted(found.values(), key=lambda one: one[0])]

    def called(self, group_id: str, item: str) -> Iterator[Thing]:
        """One item for everyone of a group it is asked of."""
        for subject in self.group(group_id):
            for thing in self.things(subject.id):
                if thing.requirement.id == item and thing.asked:
                    yield thing
