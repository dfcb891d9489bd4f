"""Every room of the house on one app: their services, their routes, and what they do in the background."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

from fastapi import APIRouter, FastAPI

from api import errors, health
from api.access import routes as access_routes
from api.access import signing_in
from api.access.permissions import check_declared
from api.call import routes as call_routes
from api.call import service as call_service
from api.call.keys import at_hand
from api.conditions import routes as conditions_routes
from api.conditions import source_routes as forecast_source_routes
from api.conditions.refresh import refreshing
from api.handson import routes as handson_routes
from api.journal import routes as journal_routes
from api.journal import service as journal_service
from api.kitlist import routes as kitlist_routes
from api.locker import returns as locker_returns
from api.locker import routes as locker_routes
from api.nights import routes as nights_routes
from api.nights import service as nights_service
from api.nights.erasing import erasing
from api.photos import routes as photo_routes
from api.photos.erasing import erasing_photos
from api.readiness import body_routes, flag_routes, party_routes, watch_routes
from api.readiness import routes as readiness_routes
from api.readiness import service as readiness_service
from api.readiness.watching import telling
from api.roster import routes as roster_routes
from api.seasons import routes as seasons_routes
from api.selfreport import routes as selfreport_routes
from api.settings import Settings

ROUTERS: tuple[APIRouter, ...] = (
    health.router,
    journal_routes.router,
    readiness_routes.router,
    access_routes.router,
    forecast_source_routes.router,
    conditions_routes.router,
    kitlist_routes.router,
    kitlist_routes.schema_router,
    roster_routes.router,
    body_routes.router,
    handson_routes.router,
    photo_routes.router,
    selfreport_routes.router,
    flag_routes.router,
    party_routes.router,
    watch_routes.router,
    locker_routes.router,
    nights_routes.router,
    call_routes.router,
    seasons_routes.router,
)
"""Every room's routes, in the order they are tried: what is asked for most comes first."""


def install(app: FastAPI) -> None:
    """Put the rooms' services and routes on ``app``."""
    settings: Settings = app.state.settings
    journal_service.install(app, app.state.clock)
    readiness_service.install(app, demo=settings.demo)
    locker_returns.install(app.state.journal)
    nights_service.install(app)
    call_service.install(app, data_dir=settings.data_dir, clock=app.state.clock)
    signing_in.install(app)
    for router in ROUTERS:
        app.include_router(router, responses=errors.DESCRIBED)


def check(app: FastAPI) -> None:
    """Raises RuntimeError when a route, of a room or a page, does not say who may use it."""
    check_declared(app)


@asynccontextmanager
async def working(app: FastAPI) -> AsyncIterator[None]:
    """What the rooms do in the background, while the app runs."""
    settings: Settings = app.state.settings
    app.state.journal.listen(app.state.db)
    try:
        await at_hand(app.state.db, app.state.calls.arrivals.keys)
        async with (
            refreshing(app.state.db, app.state.journal, app.state.clock, settings) as refresher,
            telling(app.state.db, settings, app.state.readiness),
            erasing(app.state.db, app.state.health),
            erasing_photos(app.state.db, app.state.clock, settings.photo_keep_days),
        ):
            app.state.forecast_refresher = refresher
            yield
    finally:
        app.state.journal.close()
