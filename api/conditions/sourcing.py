"""The sources of a trip: what each said last, which one the board rests on, files that are read in."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime

from sqlalchemy import Connection

from api.access.current import Reader
from api.conditions import files, queries
from api.conditions.choice import newest_of_each, provider_in_force
from api.conditions.compare import Row, compared
from api.conditions.files import Upload
from api.conditions.forecast import Forecast
from api.conditions.queries import ForecastRow, RefreshRow
from api.conditions.refresh import GIVEN_UP_AFTER, provider_of, window_of
from api.conditions.schemas import ForecastReceipt, ForecastSummary
from api.conditions.service import forecast_by_hash, plan_of, receive, summary
from api.conditions.source_schemas import SourceList, SourceState
from api.conditions.sources.asking import Window
from api.conditions.sources.manual import PROVIDER as TYPED_IN
from api.conditions.sources.registry import SOURCES, configured, why_none
from api.db import Work
from api.errors import Invalid
from api.journal.fold import Picture
from api.journal.kinds import ForecastChosen
from api.journal.service import Journal
from api.journal.trip import TripPlan
from api.settings import Settings


def sources_of(
    conn: Connection, outfit: str, trip: str, picture: Picture, settings: Settings, now: datetime
) -> SourceList:
    """Every source of a trip: those configured, and all that ever sent a forecast."""
    newest = newest_of_each(picture)
    rows = queries.rows(conn, outfit, [record.body.forecast for record in newest.values()])
    states = queries.refreshes(conn, trip)
    asked = {provider_of(source): source.kind for source in configured(settings)}
    in_force = provider_in_force(picture)
    found = []
    for provider in dict.fromkeys((*newest, *asked)):
        record = newest.get(provider)
        row = rows.get(record.body.forecast) if record else None
        shown = summary(row, forecast_by_hash(conn, outfit, row.hash)) if row else None
        found.append(
            _state(provider, asked.get(provider), shown, states.get(provider), provider == in_force, now)
        )
    return SourceList(
        trip=trip,
        chosen=picture.forecast_choice.body.provider if picture.forecast_choice else None,
        why_none=why_none(settings),
        sources=tuple(sorted(found, key=lambda source: not source.in_force)),
    )


def _state(
    provider: str,
    kind: str | None,
    newest: ForecastSummary | None,
    row: RefreshRow | None,
    in_force: bool,
    now: datetime,
) -> SourceState:
    source = SOURCES.get(kind) if kind else None
    state = row.state if row else ""
    if row is not None and state == "asking" and now - row.asked_at > GIVEN_UP_AFTER:
        state = "failed"
    return SourceState(
        provider=provider,
        title=source.title if source else _title(provider),
        gives=source.gives if source else "",
        lacks=source.lacks if source else "",
        in_force=in_force,
        network=source is not None,
        newest=newest,
        state=state if source else "",
        asked_at=row.asked_at if row and source else None,
        next_at=row.next_at if row and source else None,
        problem=row.problem if row and source else "",
    )


def _title(provider: str) -> str:
    if provider == TYPED_IN:
        return "Typed in by a guide"
    if provider.startswith(files.PREFIX):
        return "Read from a file"
    return "No longer configured"


def choose(
    work: Work, reader: Reader, journal: Journal, trip: str, provider: str | None, *, device: str = "web"
) -> int:
    """Let the board rest on a provider's forecasts, or on the default (None); gives the journal's number.

    Raises Invalid for a provider that the trip has nothing of.
    """
    snapshot = journal.picture(work, reader.outfit, trip)
    known = list(newest_of_each(snapshot.picture))
    if provider is not None and provider not in known:
        raise Invalid.field(
            "provider",
            provider,
            "has sent no forecast for this trip",
            f"Choose one of: {', '.join(known)}." if known else "Enter or fetch a forecast first.",
        )
    before = snapshot.picture.forecast_choice
    if (before.body.provider if before else None) == provider:
        return snapshot.seq
    (outcome,) = journal.write(work, reader, trip, ForecastChosen(provider=provider), device=device)
    return outcome.seq or snapshot.seq


def read_file(
    conn: Connection, reader: Reader, journal: Journal, trip: str, upload: Upload
) -> tuple[Forecast, ForecastSummary]:
    """What a file holds for a trip. Nothing is stored. Raises Invalid, TooLarge, NotFound or Conflict."""
    now = journal.clock.now()
    plan = plan_of(journal.picture(conn, reader.outfit, trip).picture, trip)
    forecast = files.read(upload, plan.place, reader.name, _window(plan, now), now)
    origin = forecast.provenance
    row = ForecastRow("", forecast.kind, origin.provider, origin.label, origin.issued_at, now)
    return forecast, summary(row, forecast)


def receive_file(
    work: Work, reader: Reader, journal: Journal, trip: str, upload: Upload, *, device: str = "web"
) -> ForecastReceipt:
    """Store what a file holds and write it into the trip's journal, both or neither."""
    forecast, _ = read_file(work, reader, journal, trip, upload)
    return receive(work, reader, journal, trip, forecast, device=device)


def beside_each_other(conn: Connection, outfit: str, picture: Picture, trip: str) -> list[Row]:
    """The newest forecast of each provider, stage by stage."""
    plan = plan_of(picture, trip)
    newest = newest_of_each(picture)
    loaded = {p: forecast_by_hash(conn, outfit, record.body.forecast) for p, record in newest.items()}
    return compared(plan, loaded)


def any_disagree(rows: Iterable[Row]) -> bool:
    """Whether sources disagree anywhere."""
    return any(row.disagree for row in rows)


def _window(plan: TripPlan, now: datetime) -> Window:
    return window_of(plan, now) or Window(now, now)
