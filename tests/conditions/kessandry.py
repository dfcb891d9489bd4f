"""The invented climb of Kessandry and its four forecast issues, as plan and typed-in forecasts.

Everything here is an invented scenario; tests that use it check arithmetic, not nature.
"""

from datetime import date, datetime
from typing import Any
from zoneinfo import ZoneInfo

from api.conditions.forecast import Forecast
from api.conditions.sources.manual import parse, to_forecast
from api.journal.trip import Night, Place, Stage, Terrain, TripPlan, Via

ZONE = ZoneInfo("Asia/Bishkek")
PEOPLE = 11
HARROW, MORAINE, EDGE, SHELF, SCHRUND, TOP = 2640.0, 3240.0, 3310.0, 3780.0, 4250.0, 4586.0

PLACE = Place(
    name="Kessandry",
    latitude_deg=41.86,
    longitude_deg=77.92,
    time_zone="Asia/Bishkek",
    base_name="Harrow Station",
    base_elevation_m=HARROW,
    high_point_name="Kessandry",
    high_point_m=TOP,
)


def at(day: int, clock: str) -> datetime:
    """A moment of September 2026 in the trip's own time."""
    hour, minute = (int(part) for part in clock.split(":"))
    return datetime(2026, 9, day, hour, minute, tzinfo=ZONE)


MORAINE_NIGHT = Night(place="Moraine Camp", elevation_m=MORAINE, running_water=True)
SHELF_NIGHT = Night(place="Shelf Camp", elevation_m=SHELF, on_snow=True)

PLAN = TripPlan(
    name="Kessandry",
    place=PLACE,
    starts_on=date(2026, 9, 12),
    ends_on=date(2026, 9, 15),
    usual_freezing_level_m=4200,
    reserve_days=1,
    stages=(
        Stage(
            id="walk-in",
            name="Walk in",
            starts_at=at(12, "11:30"),
            ends_at=at(12, "15:30"),
            from_name="Harrow Station",
            from_m=HARROW,
            to_name="Moraine Camp",
            to_m=MORAINE,
            night=MORAINE_NIGHT,
        ),
        Stage(
            id="to-shelf",
            name="To Shelf Camp",
            starts_at=at(13, "09:00"),
            ends_at=at(13, "14:00"),
            from_name="Moraine Camp",
            from_m=MORAINE,
            to_name="Shelf Camp",
            to_m=SHELF,
            night=SHELF_NIGHT,
            terrain=frozenset({Terrain.GLACIER}),
        ),
        Stage(
            id="summit",
            name="Summit and back to Moraine",
            starts_at=at(14, "01:30"),
            ends_at=at(14, "14:00"),
            from_name="Shelf Camp",
            from_m=SHELF,
            to_name="Moraine Camp",
            to_m=MORAINE,
            night=MORAINE_NIGHT,
            via=(
                Via(name="Bergschrund", elevation_m=SCHRUND, at=at(14, "06:00")),
                Via(name="Top", elevation_m=TOP, at=at(14, "08:00")),
                Via(name="Glacier edge", elevation_m=EDGE, at=at(14, "13:30")),
            ),
            terrain=frozenset({Terrain.GLACIER, Terrain.STEEP_SNOW}),
        ),
        Stage(
            id="walk-out",
            name="Walk out",
            starts_at=at(15, "08:00"),
            ends_at=at(15, "12:00"),
            from_name="Moraine Camp",
            from_m=MORAINE,
            to_name="Harrow Station",
            to_m=HARROW,
        ),
    ),
)
WALK_IN, TO_SHELF, SUMMIT, WALK_OUT = range(4)

Times = tuple[tuple[int, str], tuple[int, str]]

# issue -> ((from, to), freezing level m, wind on top km/h, precipitation mm, new snow cm)
_ISSUES: dict[str, tuple[datetime, list[tuple[Times, float, float, float, float]]]] = {
    "F0": (
        at(9, "18:00"),
        [
            (((12, "00:00"), (12, "18:00")), 4450, 20, 0, 0),
            (((12, "18:00"), (14, "04:00")), 4350, 20, 0, 0),
            (((14, "04:00"), (14, "10:00")), 4300, 20, 0, 0),
        ],
    ),
    "F1": (
        at(11, "18:00"),
        [
            (((12, "18:00"), (13, "18:00")), 4250, 30, 0, 0),
            (((13, "18:00"), (14, "04:00")), 4000, 30, 0, 0),
            (((14, "04:00"), (14, "10:00")), 3900, 30, 0, 0),
        ],
    ),
    "F2": (
        at(12, "18:00"),
        [
            (((12, "18:00"), (14, "04:00")), 3500, 45, 1, 1),
            (((14, "04:00"), (14, "10:00")), 3350, 45, 1, 1),
            (((14, "10:00"), (14, "18:00")), 3200, 45, 3, 3),
            (((14, "18:00"), (15, "13:00")), 3100, 45, 5, 5),
        ],
    ),
    "F3": (
        at(13, "18:00"),
        [
            (((13, "18:00"), (14, "05:00")), 2950, 60, 8, 8),
            (((14, "05:00"), (14, "10:00")), 2800, 60, 0, 0),
            (((14, "10:00"), (14, "18:00")), 2650, 60, 2, 2),
            (((14, "18:00"), (15, "13:00")), 2700, 40, 1, 1),
        ],
    ),
}


def typed(issue: str, **spread: float) -> dict[str, Any]:
    """An issue as typed in. `low` and `high` are metres below and above the best freezing level."""
    issued_at, rows = _ISSUES[issue]
    return {
        "issued_at": issued_at,
        "source_text": f"invented bulletin {issue}",
        "who": "Maren",
        "label": issue,
        "blocks": [
            {
                "starts_at": at(*start),
                "ends_at": at(*end),
                "freezing_level": {"best": level}
                | ({"low": level - spread["low"]} if "low" in spread else {})
                | ({"high": level + spread["high"]} if "high" in spread else {}),
                "wind": [{"altitude": TOP, "wind": wind}, {"altitude": SHELF, "wind": wind / 2}],
                "precipitation": rain,
                "new_snow": snow,
                "uv_max": 8 if issue in ("F0", "F1") else 7,
            }
            for (start, end), level, wind, rain, snow in rows
        ],
    }


def issue(name: str, **spread: float) -> Forecast:
    """An issue as the service keeps it."""
    return to_forecast(parse(typed(name, **spread)), PLACE)
