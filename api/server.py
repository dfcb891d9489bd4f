"""Runs the app: without accounts on this machine only, and stoppable while streams are open."""

from __future__ import annotations

import gc
import socket
from collections.abc import Callable
from typing import Any

import uvicorn
from fastapi import FastAPI

from api.access.crossorigin import is_loopback
from api.settings import Settings


class NotLoopback(Exception):
    """Asked to listen where others could reach it, although nobody has to sign in or nobody could."""


class Server(uvicorn.Server):
    """Tells open streams to end when it is stopped; otherwise it would wait for them for ever."""

    def __init__(self, config: uvicorn.Config, app: FastAPI, announce: Callable[[str], None]) -> None:
        super().__init__(config)
        self._app = app
        self._announce = announce

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        await super().startup(sockets)
        if self.started:
            self._announce(self.address())

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        stopping: Any = getattr(self._app.state, "stopping", None)
        if stopping is not None:
            stopping.set()
        await super().shutdown(sockets)

    def address(self) -> str:
        """Where it listens, with the port it was given."""
        host, port = self.servers[0].sockets[0].getsockname()[:2]
        return f"http://[{host}]:{port}" if ":" in host else f"http://{host}:{port}"


def settle_memory() -> None:
    """Tell the garbage collector that what is loaded now stays, and to look less often. Once a process, when
    it is about to serve.

    A board makes some ten thousand short-lived objects. With Python's defaults each one had the collector
    walk over every loaded library several times, a fifth of the whole cost.
    """
    gc.collect()
    gc.freeze()
    gc.set_threshold(10_000, 20, 50)


def check_host(settings: Settings, *, accounts: bool = False) -> None:
    """Raise NotLoopback when ``settings`` ask to listen where others could reach the service, and this is the
    demo, or there are no ``accounts`` yet.
    """
    if is_loopback(settings.host) or settings.published_on_loopback:
        return
    if settings.demo:
        raise NotLoopback(
            f"RIMAYE_HOST is {settings.host}, which others can reach, and this is the demo: there are no "
            "accounts, anyone could choose any role. Use 127.0.0.1. In a container whose port is published "
            "on the host's loopback address only, set RIMAYE_PUBLISHED_ON_LOOPBACK=true."
        )
    if not accounts:
        raise NotLoopback(
            f"RIMAYE_HOST is {settings.host}, which others can reach, and there are no accounts yet. "
            "Use 127.0.0.1, or make the first account with: rimaye setup. In a container whose port is "
            "published on the host's loopback address only, set RIMAYE_PUBLISHED_ON_LOOPBACK=true."
        )
    if not settings.base_url.startswith("https://"):
        raise NotLoopback(
            f"RIMAYE_HOST is {settings.host}, which others can reach, and RIMAYE_BASE_URL does not begin "
            "with https://: passwords would travel in the open. Put a proxy with a certificate in front, and "
            "set RIMAYE_BASE_URL to the address people use. Use 127.0.0.1 for this machine alone."
        )


def make_server(
    app: FastAPI, settings: Settings, announce: Callable[[str], None], *, accounts: bool = False
) -> Server:
    """A server for ``app``, not yet running. Raises NotLoopback, see ``check_host``."""
    check_host(settings, accounts=accounts)
    config = uvicorn.Config(
        app,
        host=settings.host,
        port=settings.port,
        log_config=None,
        access_log=False,
        server_header=False,
        timeout_graceful_shutdown=settings.stop_wait_s,
    )
    return Server(config, app, announce)
