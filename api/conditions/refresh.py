"""Fetching newer forecasts: in the background while services are configured, and when someone asks for it.

No page waits for the network. Each source is asked by itself and within its own time; what fails leaves
everything that was received before as it is. A new issue is stored by its content and written into the trip's
journal, and the board follows from there.
"""

from __future__ import annotations

import hashlib
from collections.abc import AsyncIterator, Callable, Iterable
from contextlib import asynccontextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import TypeVar

import anyio
import numpy as np
import structlog
from anyio import CapacityLimiter, to_thread
from anyio.abc import TaskGroup

from api.clock import Clock
from api.conditions import fetch, queries, service
from api.conditions.canonical import to_bytes
from api.conditions.fetch import Fetch, NotFetched
from api.conditions.forecast import Forecast, Point
from api.conditions.leading import FORECASTS, leading
from api.conditions.queries import RefreshRow
from api.conditions.sources import answers
from api.conditions.sources.asking import SourceSettings, Unusable, Window, with_warnings
from api.conditions.sources.registry import SOURCES, configured
from api.db import Database
from api.errors import Invalid, Problem
from api.ids import new_id
from api.journal import queries as journals
from api.journal import store
from api.journal.entry import Actor, Entry
from api.journal.service import Journal
from api.journal.trip import TripPlan
from api.settings import Settings

log = structlog.get_logger(__name__)
T = TypeVar("T")

SYSTEM = Actor(id="system", name="Rimaye", role="system")
DEVICE = "refresh"
LOOK_EVERY_S = 60.0
REACH = timedelta(days=15)
"""No model reaches further; trips that begin later are not asked for."""
BEFORE = timedelta(hours=12)
AFTER = timedelta(hours=15)
"""Wanted beside the stages: the night before the first and after the last."""
AGAIN_AFTER_FAULT = timedelta(minutes=10)
GIVEN_UP_AFTER = timedelta(minutes=2)
"""A process that said it asks, and has not finished by then, is gone."""


@dataclass(frozen=True, slots=True)
class TripToAsk:
    """A trip that forecasts are wanted for."""

    outfit: str
    trip: str
    plan: TripPlan

    @property
    def place(self) -> Point:
        place = self.plan.place
        return Point(round(place.latitude_deg, 4), round(place.longitude_deg, 4), place.high_point_m)


def window_of(plan: TripPlan, now: datetime) -> Window | None:
    """From when to when a forecast is wanted; None when the trip is over, or begins too far ahead.

    It begins at a full day, so that the same question is asked all day long.
    """
    if plan.stages:
        first, last = plan.stages[0].starts_at, plan.stages[-1].ends_at
    else:
        first, last = (
            datetime(day.year, day.month, day.day, tzinfo=plan.place.zone)
            for day in (plan.starts_on, plan.ends_on + timedelta(days=1))
        )
    today = now.astimezone(UTC).replace(hour=0, minute=0, second=0, microsecond=0)
    starts_at = max((first - BEFORE).astimezone(UTC), today)
    ends_at = min((last + AFTER).astimezone(UTC), today + REACH)
    if last <= now or ends_at <= starts_at:
        return None
    return Window(starts_at, ends_at)


def same_issue(kept: Forecast, fresh: Forecast) -> bool:
    """Whether a forecast says nothing that one of the same issue had not said already.

    Services drop hours that are over, so the same issue comes shorter each time.
    """
    if (
        kept.provenance.issued_at != fresh.provenance.issued_at
        or (kept.members, kept.level_kind, set(kept.series))
        != (fresh.members, fresh.level_kind, set(fresh.series))
        or not np.array_equal(kept.levels, fresh.levels)
        or not np.isin(fresh.times_epoch_s, kept.times_epoch_s).all()
    ):
        return False
    rows = np.searchsorted(kept.times_epoch_s, fresh.times_epoch_s)
    return all(
        np.array_equal(kept.series[name].values[:, rows], series.values, equal_nan=True)
        for name, series in fresh.series.items()
    )


async def ask(
    fetcher: Fetch, settings: SourceSettings, place: Point, window: Window, now: datetime
) -> Forecast:
    """Ask one source for a forecast. Raises NotFetched or Unusable with the reason when there is none."""
    source = SOURCES[settings.kind]
    pending = list(source.plan(place, window, settings))
    forecast: Forecast | None = None
    while pending:
        request = pending.pop(0)
        reply = await fetcher.get(request)
        try:
            if request.step == "look" and source.then is not None:
                pending = [*source.then(reply.body, reply.headers, request), *pending]
            elif request.step == "forecast":
                forecast = await _aside(source.parse, reply.body, reply.headers, request)
            elif forecast is not None and source.confirm is not None:
                forecast = source.confirm(forecast, reply.body, reply.headers, request)
        except (AttributeError, IndexError, KeyError, OverflowError, TypeError, ValueError) as error:
            log.warning("forecast_answer_odd", source=settings.kind, error=repr(error))
            raise Unusable("The answer is not in the shape the service documents.") from error
    if forecast is None:
        raise Unusable("The service led to no forecast.")
    return with_warnings(forecast, *answers.oddities(forecast, window, now))


_apart = CapacityLimiter(1)
"""Forecasts of many members take a moment to read; one at a time, and never on the threads of requests."""


async def _aside(work: Callable[..., T], *arguments: object) -> T:
    return await to_thread.run_sync(work, *arguments, limiter=_apart)


class Refresher:
    """Fetches forecasts for the trips of one installation."""

    def __init__(
        self,
        db: Database,
        journal: Journal,
        clock: Clock,
        fetcher: Fetch,
        settings: Settings,
        tasks: TaskGroup,
    ) -> None:
        self.sources = configured(settings)
        self._db, self._journal, self._clock = db, journal, clock
        self._fetcher, self._settings, self._tasks = fetcher, settings, tasks

    async def begin(self, outfit: str, trip: str, plan: TripPlan) -> bool:
        """Ask all sources for a trip now, without waiting for their answers; whoever looks next already sees
        them being asked. False when there is nothing to ask.
        """
        asked = TripToAsk(outfit, trip, plan)
        window = window_of(plan, self._clock.now())
        if not self.sources or window is None:
            return False
        for source in await self._claimed(asked, at_once=True):
            self._tasks.start_soon(self._one, asked, source, window)
        return True

    async def run(self) -> None:
        """Look for newer forecasts until cancelled."""
        while True:
            try:
                await self.look()
            except Exception:
                # Nothing waits for this task: whatever went wrong must not end it.
                log.exception("forecast_look_failed")
            await anyio.sleep(LOOK_EVERY_S)

    async def look(self) -> None:
        """Ask for what is due. On PostgreSQL one process at a time does this for all."""
        async with leading(self._db, FORECASTS) as leads:
            if not leads:
                return
            for trip in await self._trips():
                await self.refresh(trip)

    async def refresh(self, trip: TripToAsk) -> None:
        """Ask the sources that are due, side by side."""
        window = window_of(trip.plan, self._clock.now())
        if window is None:
            return
        async with anyio.create_task_group() as tasks:
            for source in await self._claimed(trip, at_once=False):
                tasks.start_soon(self._one, trip, source, window)

    async def _trips(self) -> list[TripToAsk]:
        now = self._clock.now()
        found = []
        async with self._db.reading_async() as conn:
            for outfit, _ in journals.outfits(conn):
                for row in journals.trips(conn, outfit):
                    if row.ends_on is None or row.ends_on < now.date() - timedelta(days=1):
                        continue
                    plan = self._journal.picture(conn, outfit, row.id).picture.trip
                    if plan is not None:
                        found.append(TripToAsk(outfit, row.id, plan))
        return found

    async def _one(self, trip: TripToAsk, source: SourceSettings, window: Window) -> None:
        now = self._clock.now()
        ended = RefreshRow(provider_of(source), "failed", now, None, now + AGAIN_AFTER_FAULT, "", None)
        try:
            with anyio.fail_after(self._settings.forecast_deadline_s):
                forecast = await ask(self._fetcher, source, trip.place, window, now)
            ended = await self._received(trip, source, forecast, ended)
        except TimeoutError:
            ended = replace(ended, problem="The service took too long; it will be asked again.")
        except (Unusable, Invalid) as error:
            ended = replace(ended, problem=str(error))
        except NotFetched as error:
            wait = max(timedelta(seconds=error.not_before_s or 0.0), AGAIN_AFTER_FAULT)
            ended = replace(ended, problem=error.reason, next_at=now + wait)
        except Problem as error:
            ended = replace(ended, problem=error.detail)
        except Exception:
            # The edge of a task nobody waits for; an error that left it would end all others with it.
            log.exception("forecast_refresh_failed", provider=ended.provider)
            ended = replace(ended, problem="Something went wrong here; the log says what.")
        finally:
            if ended.state == "failed" and not ended.problem:
                ended = replace(ended, problem="Broken off; it will be asked again.", next_at=now)
            if ended.problem:
                log.warning("forecast_not_fetched", provider=ended.provider, reason=ended.problem)
            with anyio.CancelScope(shield=True):
                await self._finish(trip, ended)

    async def _claimed(self, trip: TripToAsk, *, at_once: bool) -> list[SourceSettings]:
        """The sources that are to be asked now, and that nobody else is asking."""
        now = self._clock.now()
        async with self._db.reading_async() as conn:
            kept = queries.refreshes(conn, trip.trip)
        due = [
            source
            for source in self.sources
            if at_once or (row := kept.get(provider_of(source))) is None or row.next_at <= now
        ]
        if not due:
            return []
        async with self._db.writing_async() as work:
            given_up = now - GIVEN_UP_AFTER
            return [
                source
                for source in due
                if queries.claim_refresh(work, trip.outfit, trip.trip, provider_of(source), now, given_up)
            ]

    async def _finish(self, trip: TripToAsk, ended: RefreshRow) -> None:
        async with self._db.writing_async() as work:
            queries.finish_refresh(work, trip.trip, replace(ended, finished_at=self._clock.now()))

    async def _received(
        self, trip: TripToAsk, source: SourceSettings, forecast: Forecast, ended: RefreshRow
    ) -> RefreshRow:
        """Keep a forecast, unless the same issue is here already."""
        expires_at = forecast.provenance.expires_at
        every = timedelta(minutes=self._settings.forecast_refresh_min or 60)
        next_at = ended.asked_at + every + spread(trip.trip, provider_of(source), every)
        if expires_at is not None:
            # What may mix two runs is asked for again soon; the expiry itself is no part of the forecast.
            next_at = ended.asked_at + AGAIN_AFTER_FAULT
            forecast = replace(forecast, provenance=replace(forecast.provenance, expires_at=None))
        hash_ = await self._kept(trip, forecast) or await self._store(trip, forecast)
        return replace(ended, state="done", next_at=next_at, forecast=hash_)

    async def _kept(self, trip: TripToAsk, forecast: Forecast) -> str | None:
        """The hash of the newest forecast of this provider, when it is the same issue."""
        provider = forecast.provenance.provider
        async with self._db.reading_async() as conn:
            picture = self._journal.picture(conn, trip.outfit, trip.trip).picture
            ours = [r.body.forecast for r in picture.forecasts if r.body.provider == provider]
            newest = service.forecast_by_hash(conn, trip.outfit, ours[-1]) if ours else None
        return ours[-1] if newest is not None and same_issue(newest, forecast) else None

    async def _store(self, trip: TripToAsk, forecast: Forecast) -> str:
        body = await _aside(to_bytes, forecast)
        async with self._db.writing_async() as work:
            now = self._clock.now()
            received = service.store_written(work, trip.outfit, forecast, body, now)
            head = store.head(work, trip.trip, trip.outfit)
            entry = Entry(
                id=new_id(now),
                trip=trip.trip,
                body=received,
                actor=SYSTEM,
                device=DEVICE,
                happened_at=now,
                seen_seq=head.seq,
            )
            self._journal.record(work, trip.outfit, trip.trip, [entry])
        log.info("forecast_received", trip=trip.trip, provider=received.provider, forecast=received.forecast)
        return received.forecast


def provider_of(source: SourceSettings) -> str:
    """How the forecasts of a configured source are called in the journal."""
    return source.provider.partition("=")[0]


def spread(trip: str, provider: str, every: timedelta) -> timedelta:
    """A share of up to a fifth of the interval, fixed for a trip and provider: services ask not to be asked
    by all at the same minute.
    """
    digest = hashlib.sha256(f"{trip} {provider}".encode()).digest()
    return every * (digest[0] / 255.0) / 5


@asynccontextmanager
async def refreshing(
    db: Database, journal: Journal, clock: Clock, settings: Settings
) -> AsyncIterator[Refresher | None]:
    """A `Refresher` while the block runs, looking by itself if the settings say so; None without sources."""
    sources = configured(settings)
    if not sources:
        yield None
        return
    async with (
        fetch.opened(
            origins=origins(sources),
            user_agent=settings.forecast_user_agent.strip(),
            clock=clock,
            most_bytes=settings.forecast_max_bytes,
            kept_in=settings.data_dir / "forecast-answers.sqlite3",
        ) as fetcher,
        anyio.create_task_group() as tasks,
    ):
        refresher = Refresher(db, journal, clock, fetcher, settings, tasks)
        if settings.forecast_refresh_min:
            tasks.start_soon(refresher.run)
        try:
            yield refresher
        finally:
            tasks.cancel_scope.cancel()


def origins(sources: Iterable[SourceSettings]) -> list[str]:
    """The addresses that may be asked."""
    return [source.base_url for source in sources]
