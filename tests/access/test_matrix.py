"""Every route, asked by every role about every kind of trip, does what the table says: nothing wider."""

from __future__ import annotations

import re
from collections.abc import Iterator

import pytest
from fastapi import APIRouter, FastAPI

from api.access.current import ROLES, Role
from api.access.permissions import (
    ACTIONS,
    ENTRY_ACTIONS,
    GUIDES,
    Declared,
    check_declared,
    declared,
    permit,
    public,
)
from api.journal.kinds import AnyBody
from api.journal.store import head
from tests.access.house import FOREIGN_TRIP, OTHER_TRIP, OWN_TRIP, THEIR, UNKNOWN_TRIP, House
from tests.support.client import IsolatedTestClient

pytestmark = pytest.mark.one_database

TRIPS = (OWN_TRIP, OTHER_TRIP, FOREIGN_TRIP, UNKNOWN_TRIP)


def requests(app: FastAPI, trip: str) -> Iterator[tuple[Declared, str, str]]:
    """(route, method, path) of everything that names an action, about `trip` where it is about one."""
    for route in declared(app):
        if not route.actions:
            continue
        path = re.sub(r"{(\w+)(?::\w+)?}", lambda part: trip if part[1] == "trip" else "none", route.path)
        for method in route.methods:
            if method not in ("HEAD", "OPTIONS"):
                yield route, method, path


def answered(client: IsolatedTestClient, method: str, path: str) -> str:
    """How the guard of a route answers: let through, refused, hidden or sign in."""
    response = client.request(method, path)
    if response.status_code == 401:
        return "sign in"
    problem = response.headers.get("content-type", "") == "application/problem+json"
    text = response.json()["detail"] if problem else ""
    if response.status_code == 403 and text.startswith("This is for the "):
        return "refused"
    if response.status_code == 404 and text.startswith("There is no trip "):
        return "hidden"
    assert response.status_code != 500, f"{method} {path} failed: {response.text}"
    return "let through"


def expected(role: Role, route: Declared, trip: str) -> str:
    """What the table says, worked out on its own."""
    action = ACTIONS[route.actions[0]]
    if "{trip}" in route.path and action.scope == "trip":
        seen = {OWN_TRIP} if role in GUIDES else {OWN_TRIP, OTHER_TRIP}
        if trip not in seen:
            return "hidden"
    return "let through" if role in action.roles else "refused"


@pytest.mark.parametrize("role", ROLES)
def test_every_route_does_what_the_table_says(house: House, role: Role) -> None:
    house.app.state.stopping.set()  # open streams end at once
    wrong = []
    for trip in TRIPS:
        for route, method, path in requests(house.app, trip):
            client = house.client(role)  # anew each time: some of what is asked signs one out
            client.cookies.set("units", "metric")
            found = answered(client, method, path)
            if found != expected(role, route, trip):
                wrong.append(
                    f"{method} {path} ({route.actions[0]}): {found}, not {expected(role, route, trip)}"
                )
    assert not wrong, "\n".join(wrong)


def test_a_stranger_is_let_through_nowhere(house: House) -> None:
    stranger = house.client()
    stranger.cookies.set("rimaye", "made-up")
    stranger.cookies.set("rimaye_role", "lead")
    let_through = [
        f"{method} {path}"
        for _, method, path in requests(house.app, OWN_TRIP)
        if answered(stranger, method, path) != "sign in"
    ]
    assert let_through == []


def test_every_route_of_the_app_declares_one_action_or_is_public(house: House) -> None:
    routes = list(declared(house.app))
    check_declared(house.app)
    assert [route.path for route in routes if not route.sound] == []
    assert len(routes) > 60


def test_what_is_public_is_this_and_no_more(house: House) -> None:
    open_to_all = {route.path for route in declared(house.app) if route.public}
    unexpected = {path for path in open_to_all if not path.startswith(PUBLIC)}
    assert unexpected == set()


PUBLIC = (
    "/static",
    "/api/openapi.json",
    "/danger-signs",
    "/healthz",
    "/readyz",
    "/api/problems",
    "/sign-in",
    "/sign-out",
    "/api/sign-in/",
    "/join/{token}",
    "/units",
    "/demo/",
    "/r/{token}",
    "/r/{token}/health",
    "/r/{token}/health/consent",
    "/r/{token}/health/export.json",
    "/r/{token}/health/notes",
    "/offline",
    "/check.js",
    "/sw.js",
    "/manifest.webmanifest",
)


@pytest.mark.parametrize("role", ROLES)
def test_hidden_trips_and_unknown_trips_look_the_same(house: House, role: Role) -> None:
    client = house.client(role)
    hidden = [FOREIGN_TRIP] + ([OTHER_TRIP] if role in GUIDES else [])
    for trip in hidden:
        for path in ("/api/trips/{}/staff", "/api/trips/{}/journal", "/trips/{}"):
            found, unknown = client.get(path.format(trip)), client.get(path.format(UNKNOWN_TRIP))
            assert (found.status_code, unknown.status_code) == (404, 404)
            assert found.text.replace(trip, "X") == unknown.text.replace(UNKNOWN_TRIP, "X")


def test_the_guard_hides_a_trip_in_the_words_of_the_store(house: House) -> None:
    from api.errors import NotFound

    with house.db.reading() as conn, pytest.raises(NotFound) as raised:
        head(conn, UNKNOWN_TRIP)
    answer = house.client("lead").get(f"/api/trips/{UNKNOWN_TRIP}/journal")
    assert answer.json()["detail"] == raised.value.detail


def test_a_list_of_trips_shows_what_one_may_see(house: House) -> None:
    def listed(role: Role, outfit: str = "north-ridge") -> set[str]:
        return {row["id"] for row in house.client(role, outfit).get("/api/trips").json()}

    assert listed("lead") == listed("assistant") == {OWN_TRIP}
    assert listed("office") == listed("admin") == {OWN_TRIP, OTHER_TRIP}
    assert listed("admin", THEIR) == listed("lead", THEIR) == {FOREIGN_TRIP}


class TestDeclaring:
    def app(self, router: APIRouter) -> FastAPI:
        app = FastAPI(docs_url=None, redoc_url=None, openapi_url=None)
        outer = APIRouter()
        outer.include_router(router, prefix="/inner")
        app.include_router(outer)
        return app

    def test_a_route_that_says_nothing_is_named(self) -> None:
        router = APIRouter()
        router.get("/bare")(lambda: None)
        with pytest.raises(RuntimeError, match="GET /inner/bare"):
            check_declared(self.app(router))

    def test_a_route_that_says_two_things_is_named(self) -> None:
        router = APIRouter()
        router.get("/both", dependencies=[permit("kitlist.read"), public("why")])(lambda: None)
        with pytest.raises(RuntimeError, match="GET /inner/both"):
            check_declared(self.app(router))

    def test_an_action_about_a_trip_needs_a_trip_in_the_path(self) -> None:
        router = APIRouter()
        router.get("/somewhere", dependencies=[permit("trip.read")])(lambda: None)
        with pytest.raises(RuntimeError, match="GET /inner/somewhere"):
            check_declared(self.app(router))

    def test_sound_ones_pass(self) -> None:
        router = APIRouter()
        router.get("/trips/{trip}", dependencies=[permit("trip.read")])(lambda: None)
        router.get("/open", dependencies=[public("a test")])(lambda: None)
        check_declared(self.app(router))

    def test_an_action_that_is_not_in_the_table_fails_when_it_is_written(self) -> None:
        with pytest.raises(KeyError):
            permit("trip.sell")


def test_every_kind_of_entry_asks_for_an_action() -> None:
    kinds = set(re.findall(r"Literal\['([a-z-]+)'\]", str(AnyBody)))
    if not kinds:
        from typing import get_args

        kinds = {body.model_fields["kind"].default for body in get_args(get_args(AnyBody)[0])}
    assert kinds
    assert kinds == set(ENTRY_ACTIONS)
    assert set(ENTRY_ACTIONS.values()) <= set(ACTIONS)
