"""A client on the demo trip with everything laid out."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from fastapi import FastAPI

from api.access.current import Reader, current_reader
from api.clock import FixedClock
from seeds import demo, loading
from tests.support.client import IsolatedTestClient


@pytest.fixture
def client(app: FastAPI, clock: FixedClock) -> Iterator[IsolatedTestClient]:
    with IsolatedTestClient(app, follow_redirects=True) as client:
        loading.seed(app.state.db)
        clock.set(demo.moments(demo.scenario())[0].at)
        reader = Reader(outfit="quillstone", staff="some", name="Some lead", role="lead", everywhere=True)
        app.dependency_overrides[current_reader] = lambda: reader
        yield client
