"""Rules for plans: local times, moving by days, hold points that follow from the stages, slips. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from api.journal.trip import (
    HOLD_ORDER,
    HoldKind,
    HoldPoint,
    Place,
    Stage,
    Terrain,
    TripPlan,
)

SUMMIT_TOLERANCE_M = 30.0
"""A stage that comes this close counts as reaching the high point: maps differ by as much."""

MOST_DAYS_MOVED = 3660


class FieldError(ValueError):
    """Something in a field cannot be used: names the field, the value and the remedy."""

    def __init__(self, field: str, value: object, message: str, remedy: str) -> None:
        super().__init__(message)
        self.field = field
        self.value = value
        self.message = message
        self.remedy = remedy


@dataclass(frozen=True, slots=True)
class Hint:
    """Something about a plan that is allowed but looks odd."""

    field: str
    message: str


# -- local times


def moment(text: str, zone: ZoneInfo, field: str) -> datetime:
    """A local date and time, such as ``2026-09-12T11:30``, as a moment in UTC.

    Raises
    ------
    FieldError
        When it cannot be read, or when the clocks change just then, so that it happens twice or not at all.
    """
    try:
        local = datetime.fromisoformat(text.strip())
    except ValueError:
        raise FieldError(
            field, text, "This is not a date and time.", "Write it like 2026-09-12 11:30 (24-hour clock)."
        ) from None
    if local.tzinfo is not None:
        return local.astimezone(UTC)
    return localised(local, zone, field)


def localised(local: datetime, zone: ZoneInfo, field: str) -> datetime:
    """A naive local time as a moment in UTC. Raises FieldError as ``moment`` does."""
    try:
        earlier = local.replace(tzinfo=zone, fold=0)
        later = local.replace(tzinfo=zone, fold=1)
        as_utc = earlier.astimezone(UTC)
        back = as_utc.astimezone(zone).replace(tzinfo=None)
    except (OverflowError, ValueError):
        raise FieldError(
            field, str(local), "This date is out of range.", "Write a date between the years 2 and 9998."
        ) from None
    if earlier.utcoffset() == later.utcoffset():
        return as_utc
    shown = f"{local:%H:%M} on {local.day} {local:%B %Y}"
    if back != local:
        before, after = later.astimezone(UTC).astimezone(zone), as_utc.astimezone(zone)
        raise FieldError(
            field,
            local.isoformat(timespec="minutes"),
            f"{shown} does not exist in {zone.key}: the clocks go forward over it.",
            f"Write {before:%H:%M} or {after:%H:%M}, whichever is meant.",
        )
    raise FieldError(
        field,
        local.isoformat(timespec="minutes"),
        f"{shown} happens twice in {zone.key}: the clocks go back.",
        f"Choose a time outside the repeated hour, or add the offset: {earlier:%H:%M%z} or {later:%H:%M%z}.",
    )


def local_input(at: datetime, zone: ZoneInfo) -> str:
    """A moment as a form shows it; in a repeated hour with its offset, so that it reads back the same."""
    local = at.astimezone(zone)
    shown = local.replace(tzinfo=None).isoformat(timespec="minutes")
    if local.second or local.microsecond:
        shown = local.replace(tzinfo=None).isoformat()
    twice = local.replace(fold=0).utcoffset() != local.replace(fold=1).utcoffset()
    return f"{shown}{local:%z}" if twice else shown


# -- moving a plan


def moved(plan: TripPlan, days: int) -> TripPlan:
    """The whole plan so many days later (negative: earlier), at the same local times of day.

    Raises
    ------
    FieldError
        When a time would fall where the clocks change, or ``days`` is out of range.
    """
    if abs(days) > MOST_DAYS_MOVED:
        remedy = f"Write a whole number of days between -{MOST_DAYS_MOVED} and {MOST_DAYS_MOVED}."
        raise FieldError("days", days, "A plan is not moved as far as that.", remedy)
    by = timedelta(days=days)
    zone = plan.place.zone

    def later(at: datetime, field: str) -> datetime:
        local = at.astimezone(zone).replace(tzinfo=None)
        try:
            return localised(local + by, zone, field)
        except OverflowError:
            raise FieldError(
                "days", days, "The dates would be out of range.", "Move by fewer days."
            ) from None

    stages = [
        stage.model_copy(
            update={
                "starts_at": later(stage.starts_at, f"stages.{stage.id}.starts_at"),
                "ends_at": later(stage.ends_at, f"stages.{stage.id}.ends_at"),
                "via": tuple(
                    point.model_copy(update={"at": later(point.at, f"stages.{stage.id}.via")})
                    for point in stage.via
                ),
            }
        )
        for stage in plan.stages
    ]
    holds = [
        hold.model_copy(update={"at": later(hold.at, f"hold_points.{hold.id}.at")})
        for hold in plan.hold_points
    ]
    return rebuilt(
        plan, starts_on=plan.starts_on + by, ends_on=plan.ends_on + by, stages=stages, hold_points=holds
    )


def rebuilt(plan: TripPlan, **changes: object) -> TripPlan:
    """The plan with some parts changed, stages and hold points in order of time, and checked anew.

    Raises pydantic's ValidationError when the parts do not go together.
    """
    parts = {name: getattr(plan, name) for name in TripPlan.model_fields} | changes
    parts["stages"] = in_order(parts["stages"])
    parts["hold_points"] = holds_in_order(parts["hold_points"])
    return TripPlan.model_validate(parts)


def in_order(stages: Iterable[Stage]) -> tuple[Stage, ...]:
    """Stages in order of time."""
    return tuple(sorted(stages, key=lambda stage: (stage.starts_at, stage.ends_at)))


def holds_in_order(holds: Iterable[HoldPoint]) -> tuple[HoldPoint, ...]:
    """Hold points in the order they are reached."""
    return tuple(sorted(holds, key=lambda hold: (hold.at, HOLD_ORDER[hold.kind])))


# -- hold points


def default_hold_points(stages: Sequence[Stage], place: Place) -> tuple[HoldPoint, ...]:
    """Hold points that follow from the stages; a kind that has no place in them is left out.

    Base lies before the first stage, the glacier edge at the start of the first stage with glacier, high camp
    at the start of the stage that ends at the highest night, the summit start at the start of the stage that
    reaches the high point. (Common practice, no published source.)
    """
    ordered = in_order(stages)
    if not ordered:
        return ()
    glacier = [stage for stage in ordered if stage.terrain & {Terrain.GLACIER, Terrain.CREVASSED}]
    nights = [stage for stage in ordered if stage.night is not None]
    to_top = [stage for stage in ordered if top_of(stage) >= place.high_point_m - SUMMIT_TOLERANCE_M]
    found = [_hold(HoldKind.BASE, ordered[0], ordered[0].from_name)]
    if glacier:
        found.append(_hold(HoldKind.GLACIER_EDGE, glacier[0], f"{glacier[0].from_name}, before the glacier"))
    if nights:
        highest = max(nights, key=lambda stage: stage.night.elevation_m if stage.night else 0.0)
        camp = highest.night.place if highest.night else highest.to_name
        found.append(_hold(HoldKind.HIGH_CAMP, highest, f"{highest.from_name}, before {camp}"))
    if to_top:
        found.append(_hold(HoldKind.SUMMIT_START, to_top[0], f"{to_top[0].from_name}, before the top"))
    return holds_in_order(found)


def top_of(stage: Stage) -> float:
    """The highest elevation of a stage. [m]"""
    return max(stage.from_m, stage.to_m, *(point.elevation_m for point in stage.via))


def _hold(kind: HoldKind, stage: Stage, name: str) -> HoldPoint:
    return HoldPoint(
        id=kind.value, kind=kind, name=name[:120].strip(), at=stage.starts_at, elevation_m=stage.from_m
    )


# -- what looks odd


def hints(plan: TripPlan) -> tuple[Hint, ...]:
    """What is allowed in a plan but looks like a slip, by field."""
    return (*_trip_hints(plan), *_stage_hints(plan), *_hold_hints(plan))


def _trip_hints(plan: TripPlan) -> Iterable[Hint]:
    place = plan.place
    if place.high_point_m <= place.base_elevation_m:
        yield Hint("place.high_point_m", "The high point is not above the base. Check both elevations.")
    if not plan.stages:
        yield Hint("stages", "There are no stages yet; conditions are worked out stage by stage.")
    elif not any(top_of(stage) >= place.high_point_m - SUMMIT_TOLERANCE_M for stage in plan.stages):
        yield Hint("stages", f"No stage reaches the high point of {place.high_point_m:,.0f} m.")
    if plan.usual_freezing_level_m is None:
        yield Hint(
            "usual_freezing_level_m",
            "The usual freezing level is not given, so a fall below it cannot be told.",
        )


def _stage_hints(plan: TripPlan) -> Iterable[Hint]:
    zone = plan.place.zone
    for index, stage in enumerate(plan.stages):
        field = f"stages.{stage.id}"
        first, last = (at.astimezone(zone).date() for at in (stage.starts_at, stage.ends_at))
        if first < plan.starts_on or last > plan.ends_on:
            yield Hint(f"{field}.starts_at", f"{stage.name} lies outside the dates of the trip.")
        if stage.ends_at - stage.starts_at > timedelta(hours=24):
            yield Hint(f"{field}.ends_at", f"{stage.name} is more than a day long. Check its times.")
        if top_of(stage) > plan.place.high_point_m + SUMMIT_TOLERANCE_M:
            yield Hint(
                f"{field}.to_m", f"{stage.name} goes above the high point of the trip. Check the units."
            )
        if stage.night and abs(stage.night.elevation_m - stage.to_m) > 200:
            yield Hint(f"{field}.night", f"The night after {stage.name} is far from where the stage ends.")
        if index == 0:
            continue
        before = plan.stages[index - 1]
        if abs(before.to_m - stage.from_m) > 50:
            yield Hint(
                f"{field}.from_m",
                f"{stage.name} starts at {stage.from_m:,.0f} m, the one before ends at {before.to_m:,.0f} m.",
            )
        if first > before.ends_at.astimezone(zone).date() and before.night is None:
            yield Hint(
                f"stages.{before.id}.night", f"No night is planned between {before.name} and {stage.name}."
            )


def _hold_hints(plan: TripPlan) -> Iterable[Hint]:
    kinds = {hold.kind for hold in plan.hold_points}
    for expected in default_hold_points(plan.stages, plan.place):
        if expected.kind not in kinds:
            words = expected.kind.value.replace("-", " ")
            yield Hint("hold_points", f"There is no hold point of the kind {words}.")
    if plan.stages:
        last = plan.stages[-1].ends_at
        for hold in plan.hold_points:
            if hold.at > last:
                yield Hint(f"hold_points.{hold.id}.at", f"{hold.name} comes after the last stage has ended.")
