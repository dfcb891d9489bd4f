"""Forecast services on loopback: they answer in the documented shapes, insist on what the real ones insist
on, and fail on demand.
"""

from __future__ import annotations

import gzip
import json
import threading
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any
from urllib.parse import parse_qs, urlsplit

from tests.support.weather_answers import (
    Asked,
    Refusal,
    Standin,
    edr_collection,
    edr_instances,
    edr_position,
    metno,
    nws_grid,
    nws_point,
    openjson,
    problem,
)

HELD_AT_MOST_S = 60.0


class _Handler(BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.1"
    standin: Standin

    def log_message(self, format: str, *args: Any) -> None:
        """Nothing is written; `Standin.log` keeps what was asked."""

    def do_GET(self) -> None:
        parts = urlsplit(self.path)
        asked = Asked(parts.path, parse_qs(parts.query), {k.lower(): v for k, v in self.headers.items()})
        self.standin.log.append(asked)
        fault = self.standin.fault(parts.path)
        if fault is not None:
            time.sleep(fault.slow_s)
            if fault.held is not None:
                fault.held.wait(HELD_AT_MOST_S)
            if fault.body is not None or fault.status != 200 or fault.cut:
                self._send(fault.status, fault.body or b'{"cut', fault.kind, fault.headers, cut=fault.cut)
                return
        try:
            self._answer(asked)
        except Refusal as refusal:
            self._send(refusal.status, refusal.body, refusal.kind, {})

    def _answer(self, asked: Asked) -> None:
        if "@" not in asked.headers.get("user-agent", ""):
            raise Refusal(403, b"<html>say who you are</html>", "text/html")
        answer, headers = self._content(asked)
        modified = headers.get("Last-Modified")
        if modified and asked.headers.get("if-modified-since") == modified:
            self._send(304, b"", "application/json", headers)
            return
        for start, change in self.standin.changes.items():
            if asked.path.startswith(start):
                answer = change(answer)
        body = answer if isinstance(answer, bytes) else json.dumps(answer).encode()
        kind = "application/vnd.cov+json" if "/position" in asked.path else "application/json"
        self._send(200, gzip.compress(body), kind, {**headers, "Content-Encoding": "gzip"})

    def _content(self, asked: Asked) -> tuple[Any, dict[str, str]]:
        standin, path = self.standin, asked.path
        if path == "/v1/forecast":
            return openjson(standin, asked, ensemble=False)
        if path == "/v1/ensemble":
            return openjson(standin, asked, ensemble=True)
        if path.startswith("/data/"):
            return {"last_run_initialisation_time": int(standin.run.timestamp())}, {}
        if path == "/weatherapi/locationforecast/2.0/complete":
            return metno(standin, asked)
        if path.startswith("/points/"):
            return nws_point(standin, asked)
        if path.startswith("/gridpoints/"):
            return nws_grid(standin, asked)
        if path.endswith("/position"):
            return edr_position(standin, asked)
        if path.endswith("/instances"):
            return edr_instances(standin, asked)
        if path.startswith("/edr/collections/"):
            return edr_collection(standin, asked)
        raise problem(404, title="not here")

    def _send(
        self, status: int, body: bytes, kind: str, headers: Mapping[str, str], *, cut: bool = False
    ) -> None:
        self.send_response(status)
        self.send_header("Content-Type", kind)
        self.send_header("Content-Length", str(len(body) + (1000 if cut else 0)))
        for name, value in headers.items():
            self.send_header(name, value)
        self.end_headers()
        self.wfile.write(body)
        if cut:
            self.wfile.flush()
            self.close_connection = True
            self.connection.close()


class _Server(ThreadingHTTPServer):
    daemon_threads = True

    def handle_error(self, request: Any, client_address: Any) -> None:
        """A client that went away is no fault of the test."""


@contextmanager
def standing_in() -> Iterator[Standin]:
    """The services on a free port of this machine, while the block runs."""
    standin = Standin()
    handler = type("Handler", (_Handler,), {"standin": standin})
    server = _Server(("127.0.0.1", 0), handler)
    standin.url = f"http://127.0.0.1:{server.server_address[1]}"
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True)
    thread.start()
    try:
        yield standin
    finally:
        server.shutdown()
        server.server_close()
        thread.join()
