"""The real thing: nobody is let in without an account."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from fastapi import FastAPI
from pwdlib import PasswordHash
from pwdlib.hashers.argon2 import Argon2Hasher

from api.access.passwords import Passwords
from api.clock import FixedClock
from api.main import create_app
from api.settings import Settings
from tests.access.house import House, furnish
from tests.support.client import IsolatedTestClient


@pytest.fixture
def app(settings: Settings, clock: FixedClock) -> FastAPI:
    app = create_app(settings, clock=clock)
    # The same way of hashing with less of it: a test signs in often.
    app.state.passwords = Passwords(PasswordHash((Argon2Hasher(time_cost=1, memory_cost=64),)))
    return app


@pytest.fixture
def house(app: FastAPI) -> Iterator[House]:
    """The app, started up and furnished."""
    with IsolatedTestClient(app):
        found = House(app)
        with found.db.writing() as work:
            furnish(work, found.now)
        yield found
