"""The demo trip over the whole app, at a moment of its story, read as whoever a test chooses."""

from collections.abc import Callable, Iterator

import pytest
from fastapi import FastAPI

from api.access.current import Reader, Role, current_reader
from api.clock import FixedClock
from api.readiness.service import Readiness
from seeds import demo, loading
from tests.support.client import IsolatedTestClient

TRIP = demo.scenario().trip
OUTFIT = "quillstone"

ReadAs = Callable[[Role], Reader]
TellOn = Callable[[str], None]


@pytest.fixture
def demo_client(app: FastAPI) -> Iterator[IsolatedTestClient]:
    """A client of an app that holds the demo at its first moment, read as a lead guide."""
    with IsolatedTestClient(app) as client:
        loading.seed(app.state.db)
        yield client


@pytest.fixture
def as_role(app: FastAPI, demo_client: IsolatedTestClient) -> ReadAs:
    """Read as someone of a role from now on."""

    def choose(role: Role) -> Reader:
        reader = Reader(outfit=OUTFIT, staff=f"some-{role}", name=f"Some {role}", role=role, everywhere=True)
        app.dependency_overrides[current_reader] = lambda: reader
        return reader

    choose("lead")
    return choose


@pytest.fixture
def tell_on(app: FastAPI, clock: FixedClock, as_role: ReadAs) -> TellOn:
    """Take the story, and the clock, to a moment."""
    clock.set(demo.moments(demo.scenario())[0].at)

    def tell(moment_id: str) -> None:
        while True:
            with app.state.db.reading() as conn:
                here = loading.reached(conn, app.state.journal)
            assert here is not None
            clock.set(here.at)
            if here.id == moment_id:
                return
            with app.state.db.writing() as work:
                loading.advance(work, app.state.journal)

    return tell


@pytest.fixture
def readiness(app: FastAPI, tell_on: TellOn) -> Readiness:
    """The app's evaluations; the story stands at its first moment."""
    found: Readiness = app.state.readiness
    return found
