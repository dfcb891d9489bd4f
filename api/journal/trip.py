"""What a trip is made of: place, stages, hold points, people, rope teams. Values only, SI inside.

These are the shapes journal entries carry. They are frozen: a change is a new entry with a new value.
"""

from datetime import date, datetime
from enum import StrEnum
from itertools import pairwise
from typing import Annotated, Literal, Self
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import (
    AwareDatetime,
    BaseModel,
    ConfigDict,
    Field,
    StringConstraints,
    field_serializer,
    field_validator,
    model_validator,
)

Slug = Annotated[str, StringConstraints(pattern=r"^[a-z0-9](?:[a-z0-9-]{0,62}[a-z0-9])?$")]
ShortText = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1, max_length=120)]
LongText = Annotated[str, StringConstraints(strip_whitespace=True, max_length=4000)]
Size = Annotated[str, StringConstraints(min_length=1, max_length=40)]
DistanceM = Annotated[float, Field(ge=10, le=200_000, allow_inf_nan=False)]
ElevationM = Annotated[float, Field(ge=-430, le=8850, allow_inf_nan=False)]


class Value(BaseModel):
    """Base of everything an entry carries: frozen, nothing unknown let through."""

    model_config = ConfigDict(frozen=True, extra="forbid", str_strip_whitespace=True)


class Role(StrEnum):
    """What a member is on this trip."""

    LEAD = "lead"
    ASSISTANT = "assistant"
    CLIMBER = "climber"

    @property
    def guides(self) -> bool:
        return self is not Role.CLIMBER


class Terrain(StrEnum):
    """A trait of the ground on a stage."""

    GLACIER = "glacier"
    CREVASSED = "crevassed"
    STEEP_SNOW = "steep-snow"
    ROCKFALL = "rockfall"
    AVALANCHE = "avalanche-terrain"
    SNOW_CAMP = "snow-camp"
    REMOTE = "remote"


class Effort(StrEnum):
    """How hard the stage works the body."""

    EASY = "easy"
    MODERATE = "moderate"
    HARD = "hard"
    VERY_HARD = "very-hard"


class HoldKind(StrEnum):
    """The places or moments that must not be passed with an open stop, in the order they come."""

    BASE = "base"
    GLACIER_EDGE = "glacier-edge"
    HIGH_CAMP = "high-camp"
    SUMMIT_START = "summit-start"


HOLD_ORDER: dict[HoldKind, int] = {kind: order for order, kind in enumerate(HoldKind)}


class Place(Value):
    """Where the trip goes."""

    name: ShortText
    latitude_deg: Annotated[float, Field(ge=-90, le=90, allow_inf_nan=False)]
    longitude_deg: Annotated[float, Field(ge=-180, le=180, allow_inf_nan=False)]
    time_zone: str
    base_name: ShortText
    base_elevation_m: ElevationM
    high_point_name: ShortText
    high_point_m: ElevationM

    @field_validator("time_zone")
    @classmethod
    def _known_zone(cls, name: str) -> str:
        try:
            ZoneInfo(name)
        except (ZoneInfoNotFoundError, ValueError, OSError):
            raise ValueError("not an IANA time zone; write it like Asia/Almaty or Europe/Zurich") from None
        return name

    @property
    def zone(self) -> ZoneInfo:
        return ZoneInfo(self.time_zone)


class Night(Value):
    """Where the party sleeps after a stage."""

    place: ShortText
    elevation_m: ElevationM
    shelter: Annotated[str, StringConstraints(pattern="^(tent|hut|bivouac|house)$")] = "tent"
    on_snow: bool = False
    running_water: bool = False
    supplied: tuple[Slug, ...] = ()
    """Requirement ids the outfit supplies there, for instance a sleeping mat."""


class Via(Value):
    """A named point passed during a stage, planned at a time."""

    name: ShortText
    elevation_m: ElevationM
    at: AwareDatetime
    water: Literal["stream", "snow"] | None = Field(default=None, exclude_if=lambda water: water is None)
    """Where bottles are filled: at a stream, or by melting snow. Left out of what is written when there is
    none, so that plans written before are the same bytes."""


class Stage(Value):
    """A stretch of the itinerary."""

    id: Slug
    name: ShortText
    starts_at: AwareDatetime
    ends_at: AwareDatetime
    from_name: ShortText
    from_m: ElevationM
    to_name: ShortText
    to_m: ElevationM
    via: tuple[Via, ...] = ()
    distance_m: DistanceM | None = Field(default=None, exclude_if=lambda metres: metres is None)
    """Of the whole stage as the map has it; None: not measured. Left out of what is written then."""
    effort: Effort = Effort.MODERATE
    terrain: frozenset[Terrain] = frozenset()
    night: Night | None = None

    @field_serializer("terrain", when_used="json")
    def _sorted(self, terrain: frozenset[Terrain]) -> list[Terrain]:
        # A set has no order of its own; equal stages must be equal bytes.
        return sorted(terrain)

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if self.ends_at <= self.starts_at:
            raise ValueError("a stage must end after it starts; check ends_at")
        moments = [self.starts_at, *(point.at for point in self.via), self.ends_at]
        if any(later <= earlier for earlier, later in pairwise(moments)):
            raise ValueError("points on the way must lie in order between start and end; check via")
        heights = [self.from_m, *(point.elevation_m for point in self.via), self.to_m]
        climbed = sum(abs(after - before) for before, after in pairwise(heights))
        if self.distance_m is not None and self.distance_m < climbed:
            raise ValueError(
                f"{self.distance_m:g} m of way for {climbed:g} m up and down is steeper than 45 degrees; "
                "check distance_m, which is measured on the map"
            )
        return self


class HoldPoint(Value):
    """A place or moment that must not be passed with an open stop."""

    id: Slug
    kind: HoldKind
    name: ShortText
    at: AwareDatetime
    elevation_m: ElevationM


class TripPlan(Value):
    """The whole plan of a trip. A changed plan is a new plan, so every past state stays readable."""

    name: ShortText
    place: Place
    starts_on: date
    ends_on: date
    stages: tuple[Stage, ...] = ()
    hold_points: tuple[HoldPoint, ...] = ()
    edition_id: str | None = None
    usual_freezing_level_m: ElevationM | None = None
    lines: dict[Slug, float] = Field(default_factory=dict)
    """The trip's own figures for named lines of its kit list edition, in the unit of the line's metric."""
    reserve_days: Annotated[int, Field(ge=0, le=30)] = 0
    stove_efficiency: Annotated[float, Field(ge=0.05, le=1, allow_inf_nan=False)] | None = Field(
        default=None, exclude_if=lambda share: share is None
    )
    """Share of the fuel's heat that ends in the pot, of the stoves that are taken; None: 0.4 is taken. Left
    out of what is written then."""
    remark: LongText = ""

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        if self.ends_on < self.starts_on:
            raise ValueError("a trip must not end before it starts; check ends_on")
        for label, ids in (
            ("stages", [stage.id for stage in self.stages]),
            ("hold_points", [hold.id for hold in self.hold_points]),
        ):
            if len(set(ids)) != len(ids):
                raise ValueError(f"two {label} share one id; give each its own")
        starts: list[datetime] = [stage.starts_at for stage in self.stages]
        ends: list[datetime] = [stage.ends_at for stage in self.stages]
        if any(later < earlier for earlier, later in zip(ends, starts[1:], strict=False)):
            raise ValueError("stages must follow one another without overlap; check starts_at and ends_at")
        holds = [hold.at for hold in self.hold_points]
        if holds != sorted(holds):
            raise ValueError("hold points must be in the order they are reached; check at")
        return self


class MemberProfile(Value):
    """A person on the trip."""

    name: ShortText
    role: Role
    contact: Annotated[str, StringConstraints(max_length=200)] = ""
    language: Annotated[str, StringConstraints(max_length=35)] = ""
    sizes: dict[Slug, Size] = Field(default_factory=dict)
    """Sizes as the person states them, by what they are for: boot, head, waist, height, mitts …"""
    about: LongText = ""


class RopeTeam(Value):
    """People on one rope, in rope order (first is who leads)."""

    id: Slug
    name: ShortText
    members: tuple[Slug, ...]

    @field_validator("members")
    @classmethod
    def _once(cls, members: tuple[str, ...]) -> tuple[str, ...]:
        if len(set(members)) != len(members):
            raise ValueError("a person can be on a rope only once; remove the repeated one")
        return members
