"""When it is dark on a trip. Pure, and remembered, because a page needs it again and again."""

from __future__ import annotations

from datetime import datetime, timedelta
from functools import lru_cache

from api.science.sun import level_crossings

Span = tuple[datetime, datetime]


@lru_cache(maxsize=256)
def dark_spans(start: datetime, end: datetime, latitude_deg: float, longitude_deg: float) -> tuple[Span, ...]:
    """The stretches of an interval outside daylight and civil twilight, in order."""
    light, turns = level_crossings(start, end, latitude_deg, longitude_deg)
    dark_since = None if light else start
    spans = []
    for at, rises in turns:
        if rises and dark_since is not None:
            spans.append((dark_since, at))
        dark_since = None if rises else at
    if dark_since is not None:
        spans.append((dark_since, end))
    return tuple(spans)


def dark_time(spans: tuple[Span, ...], start: datetime, end: datetime) -> timedelta:
    """How much of an interval lies in dark stretches."""
    shares = (min(until, end) - max(since, start) for since, until in spans)
    return sum((share for share in shares if share > timedelta(0)), timedelta(0))
