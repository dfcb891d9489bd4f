"""Small trips, forecasts and kit lists for tests of readiness. Everything in here is invented."""

from collections.abc import Mapping, Sequence
from datetime import UTC, date, datetime, timedelta
from typing import Any
from uuid import UUID

import numpy as np
import uuid_utils
from pydantic import TypeAdapter

from api.conditions.stages import Scenario, StageConditions
from api.journal.entry import Actor, Entry
from api.journal.fold import Picture, fold
from api.journal.kinds import AnyBody, GearState, Known, MemberSet, RopesSet, Sighting, TripPlanned
from api.journal.trip import (
    HoldKind,
    HoldPoint,
    MemberProfile,
    Night,
    Place,
    Role,
    RopeTeam,
    Stage,
    Terrain,
    TripPlan,
)
from api.kitlist.schemas import Edition

START = datetime(2026, 7, 1, 6, tzinfo=UTC)
STAGE_H = 6
LEAD = Actor(id="lead", name="Lead", role="lead")
OTHER = Actor(id="other", name="Other", role="assistant")


def plan(stages: int = 3, **changes: Any) -> TripPlan:
    """A trip with one stage a day, each with a night but the last, on glacier from the second on."""
    made = []
    for i in range(stages):
        starts = START + timedelta(days=i)
        low, high = 2600 + 400 * i, 3000 + 400 * i
        made.append(
            Stage(
                id=f"stage-{i + 1}",
                name=f"Stage {i + 1}",
                starts_at=starts,
                ends_at=starts + timedelta(hours=STAGE_H),
                from_name=f"P{i}",
                from_m=low,
                to_name=f"P{i + 1}",
                to_m=high,
                terrain=frozenset({Terrain.GLACIER}) if i else frozenset(),
                night=Night(place=f"P{i + 1}", elevation_m=high) if i < stages - 1 else None,
            )
        )
    kinds = list(HoldKind)
    holds = tuple(
        HoldPoint(
            id=kind.value,
            kind=kind,
            name=kind.value.replace("-", " "),
            at=START + timedelta(hours=6 * i),
            elevation_m=2600,
        )
        for i, kind in enumerate(kinds)
    )
    values: dict[str, Any] = {
        "name": "Test trip",
        "place": Place(
            name="Nowhere",
            latitude_deg=46,
            longitude_deg=8,
            time_zone="Europe/Zurich",
            base_name="Base",
            base_elevation_m=2600,
            high_point_name="Top",
            high_point_m=4500,
        ),
        "starts_on": START.date(),
        "ends_on": START.date() + timedelta(days=stages - 1),
        "stages": tuple(made),
        "hold_points": holds,
        "usual_freezing_level_m": 4300,
    }
    return TripPlan(**{**values, **changes})


def conditions(
    trip: TripPlan,
    metrics: Mapping[str, float | Sequence[float] | Sequence[Sequence[float]]],
    scenarios: int = 1,
) -> StageConditions:
    """Stage conditions with given values: one for all stages, one a stage, or [scenario][stage]. NaN is
    not known."""
    count = len(trip.stages)
    grids = {
        name: np.broadcast_to(np.asarray(value, dtype=float), (scenarios, count)).copy()
        for name, value in metrics.items()
    }
    starts = np.array([int(stage.starts_at.timestamp()) for stage in trip.stages])
    return StageConditions(
        scenarios=tuple(Scenario(f"s{i}", f"Scenario {i}") for i in range(scenarios)),
        base=0,
        stages=tuple(stage.id for stage in trip.stages),
        low=grids,
        high=grids,
        complete={name: ~np.isnan(grid) for name, grid in grids.items()},
        steps_epoch_s=starts,
        step_stage=np.arange(count),
        step_moving=np.ones(count, dtype=bool),
        step_lying=np.zeros(count, dtype=bool),
        step_elevation_m=np.array([stage.from_m for stage in trip.stages]),
        hourly=grids,
        methods={},
        make_version=lambda: "test",
    )


def requirement(id_: str = "goggles", **fields: Any) -> dict[str, Any]:
    """A requirement as an edition writes it: one per person, a stop at base, seen is enough."""
    return {
        "id": id_,
        "item": id_.replace("-", " ").capitalize(),
        "zone": "head-eyes",
        "why": "because",
        "clears": "show it",
        "grades": [{"grade": "stop", "at": "base"}],
        "basis": {"kind": "common-practice", "source": "common practice, no published source"},
        **fields,
    }


def edition(*requirements: dict[str, Any], lines: Sequence[dict[str, Any]] = ()) -> Edition:
    """An edition of some requirements."""
    return TypeAdapter(Edition).validate_python(
        {
            "id": "test",
            "title": "Test",
            "dated": date(2026, 1, 1),
            "lines": list(lines),
            "requirements": list(requirements),
        }
    )


def entry(body: AnyBody, *, at: datetime = START, actor: Actor = LEAD, after: tuple[UUID, ...] = ()) -> Entry:
    """An entry by someone, replacing nothing unless said."""
    return Entry(
        id=UUID(str(uuid_utils.uuid7())),
        trip="test",
        body=body,
        actor=actor,
        device="test",
        happened_at=at,
        after=after,
    )


def member(id_: str = "ann", role: Role = Role.CLIMBER) -> Entry:
    return entry(MemberSet(member=id_, profile=MemberProfile(name=id_.capitalize(), role=role)))


def rope(*members: str, id_: str = "r1") -> Entry:
    return entry(RopesSet(ropes=(RopeTeam(id=id_, name=f"Rope {id_}", members=members),)))


def sighting(requirement_id: str = "goggles", subject: str = "ann", **fields: Any) -> Sighting:
    """Seen and fine, unless said otherwise."""
    values: dict[str, Any] = {"known": Known.SEEN, "state": GearState.FITS, **fields}
    return Sighting(subject=subject, requirement=requirement_id, **values)


def picture(trip: TripPlan, *entries: Entry) -> Picture:
    """The picture of a trip with some entries."""
    return fold([entry(TripPlanned(plan=trip)), *entries])
