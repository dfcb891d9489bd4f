"""The itinerary as a line through time and elevation. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np

from api.journal.trip import TripPlan


@dataclass(frozen=True, slots=True)
class Point:
    """Where the party is planned to be: a moment and an elevation [m]."""

    at: datetime
    elevation_m: float


def way_of(plan: TripPlan) -> tuple[Point, ...]:
    """Every planned point in order of time; between two of them the party moves evenly or rests."""
    points: list[Point] = []
    for stage in plan.stages:
        points.append(Point(stage.starts_at, stage.from_m))
        points.extend(Point(via.at, via.elevation_m) for via in stage.via)
        points.append(Point(stage.ends_at, stage.to_m))
    return tuple(sorted(points, key=lambda point: point.at))


def elevation_at(way: Sequence[Point], at: datetime) -> float:
    """Elevation of the party at a moment [m]; before the first point that of the first, and so at the end."""
    moments = [point.at.timestamp() for point in way]
    return float(np.interp(at.timestamp(), moments, [point.elevation_m for point in way]))
