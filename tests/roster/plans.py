"""An invented trip: Kessandry, 4,586 m, four days in September at UTC+6."""

from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from api.journal.trip import TripPlan

ZONE = ZoneInfo("Asia/Bishkek")
"""UTC+6 all year."""


def at(day: int, hour: int, minute: int = 0) -> datetime:
    return datetime(2026, 9, day, hour, minute, tzinfo=ZONE)


PLAN = TripPlan.model_validate(
    {
        "name": "Kessandry, September",
        "place": {
            "name": "Veskarin massif",
            "latitude_deg": 41.86,
            "longitude_deg": 77.92,
            "time_zone": "Asia/Bishkek",
            "base_name": "Harrow Station",
            "base_elevation_m": 2640,
            "high_point_name": "Kessandry",
            "high_point_m": 4586,
        },
        "starts_on": "2026-09-12",
        "ends_on": "2026-09-15",
        "usual_freezing_level_m": 4100,
        "stages": [
            {
                "id": "walk-in",
                "name": "Walk in",
                "starts_at": at(12, 11, 30),
                "ends_at": at(12, 16),
                "from_name": "Harrow Station",
                "from_m": 2640,
                "to_name": "Moraine Camp",
                "to_m": 3240,
                "night": {"place": "Moraine Camp", "elevation_m": 3240, "running_water": True},
            },
            {
                "id": "to-shelf",
                "name": "To Shelf Camp",
                "starts_at": at(13, 8),
                "ends_at": at(13, 14),
                "from_name": "Moraine Camp",
                "from_m": 3240,
                "to_name": "Shelf Camp",
                "to_m": 3780,
                "terrain": ["glacier", "crevassed"],
                "night": {"place": "Shelf Camp", "elevation_m": 3780, "on_snow": True},
            },
            {
                "id": "top",
                "name": "Top and back to Moraine",
                "starts_at": at(14, 1, 30),
                "ends_at": at(14, 16),
                "from_name": "Shelf Camp",
                "from_m": 3780,
                "to_name": "Moraine Camp",
                "to_m": 3240,
                "via": [{"name": "Kessandry top", "elevation_m": 4586, "at": at(14, 8)}],
                "effort": "very-hard",
                "terrain": ["glacier", "steep-snow"],
                "night": {"place": "Moraine Camp", "elevation_m": 3240},
            },
            {
                "id": "walk-out",
                "name": "Walk out",
                "starts_at": at(15, 8),
                "ends_at": at(15, 12),
                "from_name": "Moraine Camp",
                "from_m": 3240,
                "to_name": "Harrow Station",
                "to_m": 2640,
            },
        ],
    }
)


def plan_json(**changes: Any) -> dict[str, Any]:
    """The plan as JSON, with some fields changed."""
    return PLAN.model_dump(mode="json") | changes


def stage_json(stage_id: str, **changes: Any) -> dict[str, Any]:
    """The plan as JSON, with fields of one stage changed."""
    plan = plan_json()
    plan["stages"] = [stage | changes if stage["id"] == stage_id else stage for stage in plan["stages"]]
    return plan
