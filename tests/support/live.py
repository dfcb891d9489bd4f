"""A real server on a free loopback port, and a browser to look at it with."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from fastapi import FastAPI

from api.server import make_server
from api.settings import Settings

CHROMIUM_FLAGS = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)
START_WAIT_S = 20.0


@dataclass(frozen=True)
class LiveServer:
    """Where it is, and what it runs."""

    url: str
    app: FastAPI
    settings: Settings


@contextmanager
def served(app: FastAPI, settings: Settings) -> Iterator[LiveServer]:
    """Serve ``app`` from a thread until the block ends."""
    address: list[str] = []
    up = threading.Event()

    def announce(at: str) -> None:
        address.append(at)
        up.set()

    server = make_server(app, settings, announce)
    thread = threading.Thread(target=server.run, name="live-server")
    thread.start()
    try:
        assert up.wait(START_WAIT_S), "the server did not start; its log says why"
        yield LiveServer(address[0], app, settings)
    finally:
        server.should_exit = True
        thread.join(START_WAIT_S)
        assert not thread.is_alive(), "the server did not stop"
