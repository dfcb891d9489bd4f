"""From a trip's journal to what the review keeps of it. Pure: the same journal gives the same record.

No name of a person and nothing about health is in it. Members are places in a list.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime

import numpy as np

from api.journal.entry import StoredEntry
from api.journal.fold import Picture
from api.journal.kinds import MemberLeft, MemberSet
from api.journal.trip import Role, TripPlan
from api.kitlist.schemas import Edition, Requirement, Scope
from api.readiness.evaluation import Evaluation
from api.readiness.lacks import Subject, applies
from api.readiness.queries import EventRow
from api.seasons import packing
from api.seasons.gaps import Story, known_gap_ids, self_report
from api.seasons.holdings import Holdings, holdings_of
from api.seasons.measures import NOT_SAID, lead_class
from api.seasons.notes import Note, notes_of

MARK = "season:"
"""A remark about `season:kind` says what kind of trip it was; one about `season:booking:MEMBER` or
`season:rental:MEMBER` through whom a person came and where their gear came from."""


@dataclass(frozen=True, slots=True)
class MemberFacts:
    """What tells one member from another: no name."""

    member: str
    role: str
    lead: str
    booking: str
    rental: str
    joined: int
    left: int | None

    @property
    def row(self) -> list[str]:
        """What people are counted by."""
        return [self.role, self.lead, self.booking, self.rental]

    @property
    def packed(self) -> tuple[int, int, int]:
        """What a trial needs."""
        left = packing.STAYED if self.left is None else self.left
        return packing.ROLES.index(self.role), self.joined, left


@dataclass(frozen=True, slots=True)
class RequirementFacts:
    """One requirement on one trip."""

    requirement: str
    states: np.ndarray
    gaps: np.ndarray
    payloads: str
    holdings: np.ndarray

    @property
    def asked(self) -> int:
        return int(np.count_nonzero(self.states & packing.ASKED))


@dataclass(frozen=True, slots=True)
class Epochs:
    """From which entry on which plan and forecast were in force, and what each stage was like then."""

    starts: np.ndarray
    cells: np.ndarray
    metrics: np.ndarray
    complete: np.ndarray
    lines: dict[str, dict[str, object]]


@dataclass(frozen=True, slots=True)
class TripRecord:
    """All that the review keeps of a trip."""

    trip: str
    seq: int
    hash: str
    starts_on: date
    ends_on: date
    route: str
    edition: str
    kind: str
    people: tuple[MemberFacts, ...]
    epochs: Epochs
    requirements: tuple[RequirementFacts, ...]
    notes: tuple[Note, ...]


def trip_record(
    trip: str,
    entries: Sequence[StoredEntry],
    picture: Picture,
    evaluated: Sequence[tuple[int, Evaluation]],
    events: Iterable[EventRow],
) -> TripRecord | None:
    """What is kept of a trip; None when it has no plan or no kit list to review it by.

    Parameters
    ----------
    trip
        Its id.
    entries, picture
        Its whole journal and what that amounts to.
    evaluated
        The trip evaluated after each entry that put another plan or forecast in force, with its number.
    events
        What happened to its flags, in order.
    """
    plan = picture.trip
    edition = evaluated[-1][1].edition if evaluated else None
    if plan is None or edition is None or not entries:
        return None
    start = start_of(plan)
    people = _people(entries, picture, plan)
    asked = _asked(edition, people, [evaluation for _, evaluation in evaluated])
    held = holdings_of(entries, start)
    story = Story.of(entries, plan, start, edition, events)
    wanted = [r for r in edition.requirements if r.scope is Scope.PERSON and not r.optional]
    place = {facts.member: at for at, facts in enumerate(people)}
    return TripRecord(
        trip=trip,
        seq=entries[-1].seq,
        hash=entries[-1].hash,
        starts_on=plan.starts_on,
        ends_on=plan.ends_on,
        route=f"{plan.place.high_point_name} from {plan.place.base_name}",
        edition=edition.id,
        kind=_mark(picture, "kind") or NOT_SAID,
        people=people,
        epochs=_epochs(evaluated, entries, start),
        requirements=tuple(_requirement(r, asked[r.id], place, held, story) for r in wanted),
        notes=notes_of(picture, story, known_gap_ids(story), edition),
    )


def start_of(plan: TripPlan) -> datetime:
    """The moment that minutes are counted from: the start of the first stage, else of the first day."""
    if plan.stages:
        return plan.stages[0].starts_at
    return datetime.combine(plan.starts_on, datetime.min.time(), UTC)


def _people(entries: Sequence[StoredEntry], picture: Picture, plan: TripPlan) -> tuple[MemberFacts, ...]:
    joined: dict[str, StoredEntry] = {}
    left: dict[str, int] = {}
    roles: dict[str, str] = {}
    for entry in entries:
        if isinstance(entry.body, MemberSet):
            joined.setdefault(entry.body.member, entry)
            left.pop(entry.body.member, None)
            roles[entry.body.member] = entry.body.profile.role.value
        elif isinstance(entry.body, MemberLeft) and entry.body.member in joined:
            left[entry.body.member] = entry.seq
    return tuple(
        MemberFacts(
            member=member,
            role=roles[member],
            lead=lead_class((plan.starts_on - entry.happened_at.date()).days),
            booking=_mark(picture, f"booking:{member}") or NOT_SAID,
            rental=_mark(picture, f"rental:{member}") or NOT_SAID,
            joined=entry.seq,
            left=left.get(member),
        )
        for member, entry in sorted(joined.items())
    )


def _mark(picture: Picture, about: str) -> str:
    told = [record.body.text for record in picture.remarks if record.body.about == f"{MARK}{about}"]
    return told[-1][:120] if told else ""


def _asked(
    edition: Edition, people: Sequence[MemberFacts], evaluations: Sequence[Evaluation]
) -> dict[str, set[str]]:
    """For each requirement the members whom it was certainly asked of, at any time."""
    certain: set[str] = set()
    for evaluation in evaluations:
        asks = evaluation.asks
        if asks is None:
            continue
        for r, requirement in enumerate(asks.edition.requirements):
            if asks.certain[asks.base, :, asks.checks_of_requirement(r)[0]].any():
                certain.add(requirement.id)
    return {
        r.id: {facts.member for facts in people if r.id in certain and _concerns(r, facts.role)}
        for r in edition.requirements
    }


def _concerns(requirement: Requirement, role: str) -> bool:
    return applies(requirement, Subject("", "", Scope.PERSON, role=Role(role)))


def _requirement(
    requirement: Requirement,
    asked: set[str],
    place: dict[str, int],
    held: dict[str, Holdings],
    story: Story,
) -> RequirementFacts:
    states = np.zeros(len(place), dtype=np.uint8)
    gaps = []
    for member, at in place.items():
        # Before the first forecast everything is taken to be asked; what then never was is no gap.
        gap = story.gap(member, requirement.id, at) if member in asked else None
        if gap is not None:
            gaps.append(gap)
        if member in asked:
            told = self_report(story.sightings.get((member, requirement.id), ()), gap is not None)
            states[at] = packing.ASKED | told | (packing.LACKING if gap is not None else 0)
    here = held.get(requirement.id)
    rows = [] if here is None else here.rows(place)
    return RequirementFacts(
        requirement=requirement.id,
        states=states,
        gaps=np.array(gaps, dtype=packing.GAP),
        payloads="[]" if here is None else here.payloads_json,
        holdings=np.array(rows, dtype=packing.HOLDING),
    )


def _epochs(
    evaluated: Sequence[tuple[int, Evaluation]], entries: Sequence[StoredEntry], start: datetime
) -> Epochs:
    starts, cells, metrics, complete = [], [], [], []
    lines: dict[str, dict[str, object]] = {}
    for at, (seq, evaluation) in enumerate(evaluated):
        plan, conditions = evaluation.plan, evaluation.conditions
        base, stages = conditions.base, len(plan.stages)
        starts.append((seq, minutes(entries[seq - 1].happened_at, start), stages))
        cells.append(_cells(plan, conditions.over))
        metrics.append(
            np.array(
                [getattr(conditions, side)[name][base] for name, side in packing.LAYERS], dtype=np.float64
            ).reshape(len(packing.LAYERS), stages)
        )
        complete.append(
            np.array(
                [conditions.complete[name][base] for name in packing.METRIC_NAMES], dtype=np.uint8
            ).reshape(len(packing.METRIC_NAMES), stages)
        )
        supplied = {
            str(t): sorted(stage.night.supplied)
            for t, stage in enumerate(plan.stages)
            if stage.night is not None and stage.night.supplied
        }
        nights = [t for t, stage in enumerate(plan.stages) if stage.night is not None]
        if plan.lines or supplied:
            lines[str(at)] = {"lines": dict(plan.lines), "supplied": supplied, "nights": nights}
    return Epochs(
        starts=np.array(starts, dtype=packing.EPOCH),
        cells=np.concatenate(cells, axis=1),
        metrics=np.concatenate(metrics, axis=1),
        complete=np.concatenate(complete, axis=1),
        lines=lines,
    )


def _cells(plan: TripPlan, over: np.ndarray) -> np.ndarray:
    """What thresholds are measured from, by [what, stage]."""
    stages = len(plan.stages)
    ahead = np.ones(stages) if over.size == 0 or over.all() else (~over).astype(np.float64)
    usual = np.nan if plan.usual_freezing_level_m is None else plan.usual_freezing_level_m
    return np.array(
        [
            np.full(stages, usual),
            np.full(stages, plan.place.high_point_m),
            np.full(stages, plan.place.base_elevation_m),
            [s.night.elevation_m if s.night else np.nan for s in plan.stages],
            [max(s.from_m, s.to_m, *(v.elevation_m for v in s.via)) for s in plan.stages],
            [float(packing.terrain_bits(s.terrain)) for s in plan.stages],
            ahead,
        ],
        dtype=np.float64,
    ).reshape(len(packing.CELLS), stages)


def minutes(at: datetime, start: datetime) -> int:
    """Whole minutes from the start of the trip, negative before it."""
    return round((at - start).total_seconds() / 60)
