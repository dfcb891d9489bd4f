"""Words and choices of the pages of the call."""

from __future__ import annotations

from datetime import datetime

from api.journal.decisions import Decision
from api.journal.trip import TripPlan
from api.kitlist.metrics import CONDITION_METRICS

DECISIONS: dict[Decision, str] = {
    "go": "Go",
    "go-with-changes": "Go with changes",
    "wait": "Wait",
    "down": "Down",
}
MEANS: dict[Decision, str] = {
    "go": "As planned.",
    "go-with-changes": "Someone stays, ropes change, or something is left.",
    "wait": "Not yet. Say for what.",
    "down": "Back down.",
}
COMPARISONS: tuple[tuple[str, str], ...] = (("at-least", "at or above"), ("below", "below"))

WATCHABLE = (
    "wind_mps",
    "gust_mps",
    "wind_chill_c",
    "air_temperature_c",
    "freezing_level_m",
    "new_snow_cm",
    "precipitation_mm",
    "rain_mm",
    "uv_index",
)
"""Numbers offered for tripwires; those most often watched first."""
_TYPED_IN = {"m/s": "km/h"}
METRIC_UNITS: dict[str, tuple[str, str]] = {
    name: (
        CONDITION_METRICS[name].unit,
        _TYPED_IN.get(CONDITION_METRICS[name].unit, CONDITION_METRICS[name].unit),
    )
    for name in WATCHABLE
}
"""The unit inside, and the unit a figure is typed in when it names none."""


def metric_choices() -> list[tuple[str, str]]:
    """Numbers a tripwire may watch, with the unit they are typed in."""
    return [(name, f"{CONDITION_METRICS[name].title} [{shown}]") for name, (_, shown) in METRIC_UNITS.items()]


def place_choices(plan: TripPlan) -> list[tuple[str, str]]:
    """Where a number may be watched: a stage, or a named point on it at its planned hour."""
    found = [("", "anywhere ahead")]
    for stage in plan.stages:
        found.append((stage.id, stage.name))
        found += [(f"{stage.id}/{i}", f"{via.name} ({stage.name})") for i, via in enumerate(stage.via)]
    return found


def place_of(chosen: str, plan: TripPlan) -> tuple[str | None, datetime | None]:
    """The stage, and the moment for a point on it."""
    name, _, point = chosen.partition("/")
    stage = next((stage for stage in plan.stages if stage.id == name), None)
    if stage is None:
        return None, None
    if point.isdigit() and int(point) < len(stage.via):
        return stage.id, stage.via[int(point)].at
    return stage.id, None
