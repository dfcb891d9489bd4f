"""The neutral forecast: members by times by levels, in SI, with what each number means and where it came
from.

Every source writes this one shape and everything else reads only it. Variables have CF standard names (table
v93); names that CF lacks start with `x_`. A missing value is NaN here and null on disk; nothing is filled in,
and a value that was derived rather than delivered says so and by which method.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import cached_property
from types import MappingProxyType
from typing import Any, Literal, get_args

import numpy as np
import numpy.typing as npt

from api.conditions.variables import NEEDS_DATUM, PLAUSIBLE, SI_UNITS
from api.errors import Invalid

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

Kind = Literal["manual", "deterministic", "ensemble"]
Cell = Literal["instant", "sum", "max", "mean", "block"]
"""What a value says about its time: the moment itself; the sum, highest or mean over its bounds; or, as a
guide writes it, one figure for the whole block between its bounds."""
Datum = Literal["geoid", "ground"]
LevelKind = Literal["altitude", "pressure"]

LONGEST_TIMES = 5_000
MOST_MEMBERS = 500
MOST_LEVELS = 100


@dataclass(frozen=True, slots=True)
class Point:
    """A place on the map, degrees, with its elevation above the geoid where that is known, m."""

    latitude_deg: float
    longitude_deg: float
    altitude_m: float | None = None

    def __post_init__(self) -> None:
        for name in ("latitude_deg", "longitude_deg", "altitude_m"):
            value = getattr(self, name)
            object.__setattr__(self, name, None if value is None else float(value))
        _require(
            -90.0 <= self.latitude_deg <= 90.0,
            "latitude_deg",
            self.latitude_deg,
            "is no latitude",
            "Give degrees from -90 to 90.",
        )
        _require(
            -180.0 <= self.longitude_deg <= 180.0,
            "longitude_deg",
            self.longitude_deg,
            "is no longitude",
            "Give degrees from -180 to 180.",
        )


@dataclass(frozen=True, slots=True)
class Provenance:
    """Where a forecast came from."""

    provider: str
    label: str
    issued_at: datetime
    """When it was issued; for a model, the reference time of its run."""
    model: str = ""
    entered_by: str = ""
    source_text: str = ""
    fetched_at: datetime | None = None
    expires_at: datetime | None = None
    attribution: str = ""
    licence: str = ""
    warnings: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        for name in ("issued_at", "fetched_at", "expires_at"):
            moment = getattr(self, name)
            if moment is not None:
                _require(
                    moment.tzinfo is not None,
                    name,
                    moment,
                    "has no time zone",
                    "Add the offset, for example Z.",
                )
                object.__setattr__(self, name, moment.astimezone(UTC))
        _require(
            bool(self.provider.strip()), "provider", self.provider, "is empty", "Say who made the forecast."
        )
        _require(bool(self.label.strip()), "label", self.label, "is empty", "Give the forecast a short name.")


@dataclass(frozen=True, slots=True, eq=False)
class Series:
    """One variable.

    `values` is [member, time] or [member, time, level]. `bounds_epoch_s` is [time, 2], the start and end of
    each value's time; every cell but `instant` needs it. A time at which this variable says nothing has NaN
    values, and may have bounds of no length.
    """

    name: str
    values: Floats
    cell: Cell = "instant"
    bounds_epoch_s: Ints | None = None
    datum: Datum | None = None
    above_ground_m: float | None = None
    """Height over the ground for variables given at one, such as 2 m or 10 m."""
    derived: bool = False
    method: str = ""

    @property
    def unit(self) -> str:
        return SI_UNITS[self.name]

    @property
    def by_level(self) -> bool:
        return self.values.ndim == 3

    def __post_init__(self) -> None:
        _require(
            self.name in SI_UNITS,
            "series",
            self.name,
            "is not a variable that can be kept",
            f"Use one of: {', '.join(sorted(SI_UNITS))}.",
        )
        where = f"series.{self.name}"
        _require(
            self.cell in get_args(Cell),
            f"{where}.cell",
            self.cell,
            "is no cell method",
            f"Use one of: {', '.join(get_args(Cell))}.",
        )
        _require(
            self.datum in (None, *get_args(Datum)),
            f"{where}.datum",
            self.datum,
            "is no datum",
            "Use geoid or ground.",
        )
        _require(
            (self.datum is not None) == (self.name in NEEDS_DATUM),
            f"{where}.datum",
            self.datum,
            "does not go with this variable",
            "State whether heights are above the geoid (sea level) or the ground; other variables have none.",
        )
        _require(
            not self.derived or bool(self.method),
            f"{where}.method",
            self.method,
            "is empty",
            "A derived value must say by which method.",
        )
        object.__setattr__(self, "values", _frozen(self.values, np.float64))
        _require(
            self.values.ndim in (2, 3),
            f"{where}.values",
            self.values.ndim,
            "has the wrong number of axes",
            "Give member by time, or member by time by level.",
        )
        _require(
            not np.isinf(self.values).any(),
            f"{where}.values",
            "infinite",
            "holds an infinite number",
            "Leave a missing value out.",
        )
        self._plausible(where)
        self._bounded(where)

    def _plausible(self, where: str) -> None:
        lowest, highest = PLAUSIBLE.get(self.name, (-1e9, 1e9))
        odd = self.values[(self.values < lowest) | (self.values > highest)]
        if odd.size:
            raise Invalid.field(
                f"{where}.values",
                float(odd[0]),
                f"is outside {lowest:g} to {highest:g} {self.unit}",
                "Check the unit, and leave missing values out.",
            )

    def _bounded(self, where: str) -> None:
        bounds = self.bounds_epoch_s
        if bounds is None:
            _require(
                self.cell == "instant",
                f"{where}.bounds",
                None,
                f"is missing for a {self.cell}",
                "Say from when to when each value holds.",
            )
            return
        bounds = _frozen(bounds, np.int64)
        object.__setattr__(self, "bounds_epoch_s", bounds)
        times = self.values.shape[1]
        _require(
            bounds.shape == (times, 2),
            f"{where}.bounds",
            str(bounds.shape),
            "does not match the values",
            "Give one start and one end for each time.",
        )
        length = bounds[:, 1] - bounds[:, 0]
        _require(
            bool((length >= 0).all()),
            f"{where}.bounds",
            "",
            "has an end before its start",
            "Each value must end after it starts.",
        )
        empty = np.isnan(self.values.reshape(self.values.shape[0], times, -1)).all(axis=(0, 2))
        _require(
            not bool(((length == 0) & ~empty).any()),
            f"{where}.bounds",
            "",
            "has no length where there is a value",
            "Each value must end after it starts.",
        )
        held = bounds[length > 0]
        _require(
            bool((held[1:, 0] >= held[:-1, 1]).all()),
            f"{where}.bounds",
            "",
            "overlaps",
            "Values of one variable must follow one another.",
        )


@dataclass(frozen=True, eq=False)
class Forecast:
    """A forecast for one place. Immutable; two with the same content have the same hash."""

    kind: Kind
    place: Point
    times_epoch_s: Ints
    members: tuple[str, ...]
    """`low`, `best`, `high` for what a guide wrote, `run` for a single run, the model's member numbers for an
    ensemble.
    """
    series: Mapping[str, Series]
    provenance: Provenance
    levels: Floats = field(default_factory=lambda: np.empty(0))
    """Altitudes above the geoid, m, or pressures, Pa."""
    level_kind: LevelKind | None = None
    source_point: Point | None = None
    """Where the source computed it: the middle of its cell and the elevation of its terrain there."""

    def __post_init__(self) -> None:
        _require(
            self.kind in get_args(Kind),
            "kind",
            self.kind,
            "is no kind of forecast",
            f"Use one of: {', '.join(get_args(Kind))}.",
        )
        object.__setattr__(self, "times_epoch_s", _frozen(self.times_epoch_s, np.int64))
        object.__setattr__(self, "levels", _frozen(self.levels, np.float64))
        object.__setattr__(self, "series", MappingProxyType(dict(self.series)))
        self._members()
        self._axes()
        for name, series in self.series.items():
            self._fits(name, series)

    def _members(self) -> None:
        count = len(self.members)
        _require(
            0 < count <= MOST_MEMBERS,
            "members",
            count,
            "is not a possible number of members",
            f"Give 1 to {MOST_MEMBERS}.",
        )
        _require(
            len(set(self.members)) == count,
            "members",
            ", ".join(self.members),
            "names a member twice",
            "Give each member its own id.",
        )
        _require(
            self.kind != "deterministic" or count == 1,
            "members",
            count,
            "is too many for a single run",
            "A single run has one member.",
        )
        _require(
            self.kind != "manual" or {"best"} <= set(self.members) <= {"low", "best", "high"},
            "members",
            ", ".join(self.members),
            "is not what a guide writes",
            "Use best, and low and high if given.",
        )

    def _axes(self) -> None:
        times = self.times_epoch_s
        _require(
            times.ndim == 1 and 0 < times.size <= LONGEST_TIMES,
            "times",
            times.size,
            "is not a possible number",
            f"Give 1 to {LONGEST_TIMES} times.",
        )
        _require(
            bool((np.diff(times) > 0).all()),
            "times",
            "",
            "is not in order",
            "Give each time once, earliest first.",
        )
        levels = self.levels
        _require(
            levels.ndim == 1 and levels.size <= MOST_LEVELS,
            "levels",
            levels.size,
            "is not a possible number",
            f"Give at most {MOST_LEVELS} levels.",
        )
        _require(
            (self.level_kind is not None) == bool(levels.size),
            "level_kind",
            self.level_kind,
            "does not go with the levels",
            "Say whether levels are altitudes or pressures.",
        )
        _require(
            self.level_kind in (None, *get_args(LevelKind)),
            "level_kind",
            self.level_kind,
            "is no kind of level",
            "Use altitude or pressure.",
        )
        _require(
            bool(np.isfinite(levels).all()) and np.unique(levels).size == levels.size,
            "levels",
            "",
            "holds a level twice or an impossible one",
            "Give each level once.",
        )

    def _fits(self, name: str, series: Series) -> None:
        _require(
            name == series.name,
            f"series.{name}",
            series.name,
            "is listed under another name",
            "List each variable under its own name.",
        )
        wanted = (
            len(self.members),
            self.times_epoch_s.size,
            *([self.levels.size] if series.by_level else []),
        )
        _require(
            series.values.shape == wanted,
            f"series.{name}.values",
            str(series.values.shape),
            f"does not have the shape {wanted}",
            "Give a value, or nothing, for each member, time and level.",
        )

    @property
    def base(self) -> int:
        """Index of the member that stands for the forecast itself: what was written as best, the control, or
        the first.
        """
        for name in ("best", "run", "control", "0"):
            if name in self.members:
                return self.members.index(name)
        return 0

    @cached_property
    def fingerprint(self) -> str:
        """Tells forecasts with different numbers apart without writing them out as `canonical` does."""
        digest = hashlib.sha256()
        for part in (
            self.kind,
            self.members,
            self.place,
            self.source_point,
            self.level_kind,
            self.provenance,
        ):
            digest.update(repr(part).encode())
        digest.update(self.times_epoch_s.tobytes())
        digest.update(self.levels.tobytes())
        for name in sorted(self.series):
            series = self.series[name]
            digest.update(
                repr((name, series.cell, series.datum, series.above_ground_m, series.values.shape)).encode()
            )
            digest.update(series.values.tobytes())
            digest.update(b"" if series.bounds_epoch_s is None else series.bounds_epoch_s.tobytes())
        return digest.hexdigest()

    def get(self, name: str) -> Series | None:
        return self.series.get(name)

    def span(self) -> tuple[datetime, datetime]:
        """First and last moment about which anything is said."""
        starts = [int(self.times_epoch_s[0])]
        ends = [int(self.times_epoch_s[-1])]
        for series in self.series.values():
            if series.bounds_epoch_s is not None:
                held = series.bounds_epoch_s[series.bounds_epoch_s[:, 1] > series.bounds_epoch_s[:, 0]]
                starts.extend(held[:1, 0].tolist())
                ends.extend(held[-1:, 1].tolist())
        return moment(min(starts)), moment(max(ends))


def moment(epoch_s: int) -> datetime:
    """A moment in UTC from seconds since 1970."""
    return datetime.fromtimestamp(int(epoch_s), tz=UTC)


def epoch_s(at: datetime) -> int:
    """Seconds since 1970 of an aware moment, to the whole second."""
    return int(at.timestamp())


def _frozen(values: npt.ArrayLike, dtype: type) -> npt.NDArray[Any]:
    array: npt.NDArray[Any] = np.array(values, dtype=dtype)
    if dtype is np.float64:
        # One zero and one NaN, so that equal contents are equal bytes.
        array += 0.0
        array[np.isnan(array)] = np.nan
    array.setflags(write=False)
    return array


def _require(holds: bool, name: str, value: object, message: str, remedy: str) -> None:
    if not holds:
        raise Invalid.field(name, value, message, remedy)
