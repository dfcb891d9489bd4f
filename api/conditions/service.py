"""Receiving forecasts and having them at hand."""

from __future__ import annotations

import threading
from collections import OrderedDict
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import Connection

from api.access.current import Reader
from api.conditions import queries
from api.conditions.canonical import content_hash, from_bytes, to_bytes
from api.conditions.forecast import Forecast
from api.conditions.queries import ForecastRow
from api.conditions.schemas import ForecastList, ForecastReceipt, ForecastSummary
from api.conditions.sources.answers import CLOCKS_DIFFER
from api.conditions.sources.manual import ManualForecast, to_forecast
from api.db import Work
from api.errors import Conflict, Invalid, NotFound
from api.journal.fold import Picture
from api.journal.kinds import ForecastReceived
from api.journal.service import Journal
from api.journal.trip import TripPlan

MOST_KEPT = 16


@dataclass(frozen=True, slots=True)
class _Key:
    outfit: str
    hash: str


class ForecastCache:
    """The forecasts read last. They never change, so what is kept is never stale. Safe from any thread."""

    def __init__(self, most: int = MOST_KEPT) -> None:
        self._most = most
        self._kept: OrderedDict[_Key, Forecast] = OrderedDict()
        self._guard = threading.Lock()

    def get(self, key: _Key) -> Forecast | None:
        with self._guard:
            found = self._kept.get(key)
            if found is not None:
                self._kept.move_to_end(key)
            return found

    def put(self, key: _Key, forecast: Forecast) -> None:
        with self._guard:
            self._kept[key] = forecast
            while len(self._kept) > self._most:
                self._kept.popitem(last=False)


def store(conn: Connection, outfit_id: str, forecast: Forecast, received_at: datetime) -> ForecastReceived:
    """Keep a forecast, once, and give the journal entry body that refers to it."""
    return store_written(conn, outfit_id, forecast, to_bytes(forecast), received_at)


def store_written(
    conn: Connection, outfit_id: str, forecast: Forecast, body: bytes, received_at: datetime
) -> ForecastReceived:
    """Like `store`, for a forecast whose canonical bytes are at hand: those of many members take a moment."""
    origin = forecast.provenance
    row = ForecastRow(
        hash=content_hash(body),
        kind=forecast.kind,
        provider=origin.provider,
        label=origin.label,
        issued_at=origin.issued_at,
        received_at=received_at,
    )
    queries.add(conn, outfit_id, row, body.decode())
    return ForecastReceived(
        forecast=row.hash, provider=row.provider, label=row.label, issued_at=row.issued_at
    )


def forecast_by_hash(
    conn: Connection, outfit_id: str, hash_: str, cache: ForecastCache | None = None
) -> Forecast:
    """A forecast of this outfit. Raises NotFound when it has none by this hash."""
    cache = cache if cache is not None else _at_hand
    key = _Key(outfit_id, hash_)
    found = cache.get(key)
    if found is None:
        found = from_bytes(forecast_bytes(conn, outfit_id, hash_))
        cache.put(key, found)
    return found


def forecast_bytes(conn: Connection, outfit_id: str, hash_: str) -> bytes:
    """A forecast as it was stored. Raises NotFound when the outfit has none by this hash."""
    body = queries.body_of(conn, outfit_id, hash_)
    if body is None:
        raise NotFound(f"There is no forecast {hash_}. Choose one from the trip's list of forecasts.")
    return body.encode()


def receive_typed(
    work: Work,
    reader: Reader,
    journal: Journal,
    trip_id: str,
    typed: ManualForecast,
    *,
    device: str = "web",
) -> ForecastReceipt:
    """Store what a guide typed in and write it into the trip's journal, both or neither.

    Sent twice, it is stored and written once. Raises Invalid for figures that cannot be used, NotFound for an
    unknown trip, Conflict while the trip has no plan.
    """
    now = journal.clock.now()
    if typed.issued_at > now + CLOCKS_DIFFER:
        raise Invalid.field(
            "issued_at",
            typed.issued_at.isoformat(),
            "The forecast would be issued in the future.",
            "Give the time at which it was issued, with its offset from UTC.",
        )
    place = plan_of(journal.picture(work, reader.outfit, trip_id).picture, trip_id).place
    return receive(work, reader, journal, trip_id, to_forecast(typed, place), device=device)


def receive(
    work: Work, reader: Reader, journal: Journal, trip_id: str, forecast: Forecast, *, device: str = "web"
) -> ForecastReceipt:
    """Store a forecast and write it into the trip's journal, both or neither; once, when received twice."""
    snapshot = journal.picture(work, reader.outfit, trip_id)
    body = store(work, reader.outfit, forecast, journal.clock.now())
    status, seq = "already-there", snapshot.seq
    if all(record.body.forecast != body.forecast for record in snapshot.picture.forecasts):
        (outcome,) = journal.write(work, reader, trip_id, body, device=device)
        status, seq = outcome.status, outcome.seq or seq
    row = queries.rows(work, reader.outfit, [body.forecast])[body.forecast]
    return ForecastReceipt(status=status, seq=seq, forecast=summary(row, forecast))


def plan_of(picture: Picture, trip_id: str) -> TripPlan:
    """The plan of a trip. Raises Conflict while it has none."""
    if picture.trip is None:
        raise Conflict(f"Trip {trip_id} has no plan yet. Enter its place, days and stages first.")
    return picture.trip


def forecasts_of(conn: Connection, outfit_id: str, trip_id: str, picture: Picture) -> ForecastList:
    """The forecasts a trip has received, newest issue first."""
    hashes = list(dict.fromkeys(record.body.forecast for record in reversed(picture.forecasts)))
    rows = queries.rows(conn, outfit_id, hashes)
    found = (summary(rows[h], forecast_by_hash(conn, outfit_id, h)) for h in hashes if h in rows)
    return ForecastList(trip=trip_id, forecasts=tuple(found))


def summary(row: ForecastRow, forecast: Forecast) -> ForecastSummary:
    """A forecast without its numbers."""
    origin = forecast.provenance
    begins, ends = forecast.span()
    return ForecastSummary(
        forecast=row.hash,
        kind=row.kind,
        provider=row.provider,
        label=row.label,
        issued_at=row.issued_at,
        received_at=row.received_at,
        holds_from=begins,
        holds_until=ends,
        members=forecast.members,
        variables=tuple(sorted(forecast.series)),
        entered_by=origin.entered_by,
        source_text=origin.source_text,
        attribution=origin.attribution,
        licence=origin.licence,
        warnings=origin.warnings,
    )


_at_hand = ForecastCache()
