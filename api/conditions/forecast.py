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
from typing import Literal, get_args

import numpy as np

from api.conditions.series import Floats, Ints, Series, frozen, require

Kind = Literal["manual", "deterministic", "ensemble"]
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
        require(
            -90.0 <= self.latitude_deg <= 90.0,
            "latitude_deg",
            self.latitude_deg,
            "is no latitude",
            "Give degrees from -90 to 90.",
        )
        require(
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
                require(
                    moment.tzinfo is not None,
                    name,
                    moment,
                    "has no time zone",
                    "Add the offset, for example Z.",
                )
                object.__setattr__(self, name, moment.astimezone(UTC))
        require(
            bool(self.provider.strip()), "provider", self.provider, "is empty", "Say who made the forecast."
        )
        require(bool(self.label.strip()), "label", self.label, "is empty", "Give the forecast a short name.")


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
        require(
            self.kind in get_args(Kind),
            "kind",
            self.kind,
            "is no kind of forecast",
            f"Use one of: {', '.join(get_args(Kind))}.",
        )
        object.__setattr__(self, "times_epoch_s", frozen(self.times_epoch_s, np.int64))
        object.__setattr__(self, "levels", frozen(self.levels, np.float64))
        object.__setattr__(self, "series", MappingProxyType(dict(self.series)))
        self._members()
        self._axes()
        for name, series in self.series.items():
            self._fits(name, series)

    def _members(self) -> None:
        count = len(self.members)
        require(
            0 < count <= MOST_MEMBERS,
            "members",
            count,
            "is not a possible number of members",
            f"Give 1 to {MOST_MEMBERS}.",
        )
        require(
            len(set(self.members)) == count,
            "members",
            ", ".join(self.members),
            "names a member twice",
            "Give each member its own id.",
        )
        require(
            self.kind != "deterministic" or count == 1,
            "members",
            count,
            "is too many for a single run",
            "A single run has one member.",
        )
        require(
            self.kind != "manual" or {"best"} <= set(self.members) <= {"low", "best", "high"},
            "members",
            ", ".join(self.members),
            "is not what a guide writes",
            "Use best, and low and high if given.",
        )

    def _axes(self) -> None:
        times = self.times_epoch_s
        require(
            times.ndim == 1 and 0 < times.size <= LONGEST_TIMES,
            "times",
            times.size,
            "is not a possible number",
            f"Give 1 to {LONGEST_TIMES} times.",
        )
        require(
            bool((np.diff(times) > 0).all()),
            "times",
            "",
            "is not in order",
            "Give each time once, earliest first.",
        )
        levels = self.levels
        require(
            levels.ndim == 1 and levels.size <= MOST_LEVELS,
            "levels",
            levels.size,
            "is not a possible number",
            f"Give at most {MOST_LEVELS} levels.",
        )
        require(
            (self.level_kind is not None) == bool(levels.size),
            "level_kind",
            self.level_kind,
            "does not go with the levels",
            "Say whether levels are altitudes or pressures.",
        )
        require(
            self.level_kind in (None, *get_args(LevelKind)),
            "level_kind",
            self.level_kind,
            "is no kind of level",
            "Use altitude or pressure.",
        )
        require(
            bool(np.isfinite(levels).all()) and np.unique(levels).size == levels.size,
            "levels",
            "",
            "holds a level twice or an impossible one",
            "Give each level once.",
        )

    def _fits(self, name: str, series: Series) -> None:
        require(
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
        require(
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
