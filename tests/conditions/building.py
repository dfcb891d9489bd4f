"""Small forecasts and plans for tests. Invented numbers."""

from collections.abc import Mapping, Sequence
from datetime import UTC, date, datetime, timedelta

import numpy as np
import numpy.typing as npt

from api.conditions import variables as cf
from api.conditions.forecast import Forecast, Kind, Point, Provenance, epoch_s
from api.conditions.series import Series
from api.conditions.stages import StageConditions
from api.journal.trip import Night, Place, Stage, Terrain, TripPlan
from api.kitlist.metrics import CONDITION_METRICS

START = datetime(2026, 7, 4, tzinfo=UTC)
PRESSURES_PA = np.array([85_000.0, 70_000.0, 60_000.0, 50_000.0])
HEIGHTS_M = np.array([1457.0, 3012.0, 4206.0, 5574.0])


def place(zone: str = "UTC", latitude: float = 45.94, longitude: float = 7.86) -> Place:
    return Place(
        name="Invented",
        latitude_deg=latitude,
        longitude_deg=longitude,
        time_zone=zone,
        base_name="Base",
        base_elevation_m=1500,
        high_point_name="Top",
        high_point_m=4400,
    )


def stage(
    id_: str,
    start: datetime,
    hours: float,
    from_m: float,
    to_m: float,
    night: Night | None = None,
    terrain: frozenset[Terrain] = frozenset(),
) -> Stage:
    return Stage(
        id=id_,
        name=id_,
        starts_at=start,
        ends_at=start + timedelta(hours=hours),
        from_name="here",
        from_m=from_m,
        to_name="there",
        to_m=to_m,
        night=night,
        terrain=terrain,
    )


def camp(elevation_m: float, water: bool = False) -> Night:
    return Night(place="Camp", elevation_m=elevation_m, running_water=water)


def trip(*stages: Stage, at: Place | None = None, usual_m: float | None = None) -> TripPlan:
    first = stages[0].starts_at.date() if stages else date(2026, 7, 4)
    last = stages[-1].ends_at.date() if stages else first
    return TripPlan(
        name="Invented",
        place=at or place(),
        starts_on=first,
        ends_on=max(first, last),
        stages=stages,
        usual_freezing_level_m=usual_m,
    )


TWO_DAYS = trip(
    stage("up", START + timedelta(hours=6), 6, 1500, 3000, camp(3000), frozenset({Terrain.GLACIER})),
    stage("top", START + timedelta(hours=26), 5, 3000, 4400, None, frozenset({Terrain.GLACIER})),
    stage("down", START + timedelta(hours=31), 7, 4400, 1500),
    usual_m=3800,
)


def ensemble(
    members: int = 3,
    hours: int = 72,
    *,
    delivered: bool = True,
    step_h: int = 1,
    kind: Kind = "ensemble",
    names: Sequence[str] | None = None,
    changes: Mapping[str, npt.NDArray[np.float64]] | None = None,
    seed: int = 1,
    surface_m: float | None = None,
) -> Forecast:
    """A forecast with pressure levels for every hour; `changes` replaces the values of a variable."""
    random = np.random.default_rng(seed)
    times = epoch_s(START) + np.arange(0, hours + 1, step_h) * 3600
    n = times.size
    column = (members, n, PRESSURES_PA.size)
    sums = np.stack([times - step_h * 3600, times], axis=1)
    celsius = 20.0 - 0.0065 * HEIGHTS_M + random.normal(0.0, 2.0, (members, n, 1))
    wind = np.abs(2.0 + HEIGHTS_M / 800.0 + random.normal(0.0, 2.0, (members, n, 1)))
    values = {
        cf.TEMPERATURE: celsius + 273.15,
        cf.LEVEL_HEIGHT: np.broadcast_to(HEIGHTS_M, column) + random.normal(0.0, 15.0, (members, n, 1)),
        cf.WIND: wind,
        cf.GUST: wind * 1.5,
        cf.PRECIPITATION: np.maximum(random.normal(0.0, 1.0, (members, n)), 0.0),
        cf.NEW_SNOW: np.maximum(random.normal(0.0, 0.01, (members, n)), 0.0),
        cf.UV_CLEAR_SKY: np.full((members, n), 7.0),
        cf.THUNDER: random.integers(0, 3, (members, n)).astype(float),
    }
    if delivered:
        values[cf.FREEZING_LEVEL] = 3200.0 + random.normal(0.0, 150.0, (members, n))
    values |= changes or {}
    summed = (cf.PRECIPITATION, cf.NEW_SNOW)
    series = {
        name: Series(
            name,
            given,
            "sum" if name in summed else "instant",
            sums if name in summed else None,
            "geoid" if name in cf.NEEDS_DATUM else None,
        )
        for name, given in values.items()
    }
    return Forecast(
        kind=kind,
        place=Point(45.94, 7.86, 4400),
        times_epoch_s=times,
        members=tuple(names or map(str, range(members))),
        series=series,
        provenance=Provenance("invented", "run 00", START),
        levels=PRESSURES_PA,
        level_kind="pressure",
        source_point=None if surface_m is None else Point(45.9, 7.9, surface_m),
    )


def assert_equal(one: StageConditions, other: StageConditions, rows: list[int] | None = None) -> None:
    """Assert that all numbers agree; `rows` of the second are compared with the first."""
    for name in CONDITION_METRICS:
        for kind in ("low", "high", "complete"):
            mine, theirs = getattr(one, kind)[name], getattr(other, kind)[name]
            np.testing.assert_array_equal(mine, theirs if rows is None else theirs[rows], err_msg=name)
    for name, mine in one.hourly.items():
        theirs = other.hourly[name]
        np.testing.assert_array_equal(mine, theirs if rows is None else theirs[rows], err_msg=name)
