"""Traces: none unless asked for; sent to the collector that is named; a clear word when they cannot be."""

from __future__ import annotations

import subprocess
import sys
import threading
from http.server import BaseHTTPRequestHandler, HTTPServer

import pytest

from api import tracing
from api.settings import Settings
from api.tracing import TracingMissing

SERVE_ONE_REQUEST = """
import sys
from starlette.testclient import TestClient
from api.main import create_app
from api.settings import Settings
url, traces, folder = sys.argv[1:]
settings = Settings(database_url=url, data_dir=folder, trace_url=traces)
with TestClient(create_app(settings), "http://127.0.0.1") as client:
    assert client.get("/healthz").status_code == 200
"""


def test_without_an_address_nothing_of_it_is_loaded() -> None:
    code = (
        "import sys; from api import tracing; from api.settings import Settings; tracing.begin(Settings())();"
        "sys.exit(any(name.startswith('opentelemetry.sdk') for name in sys.modules))"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_without_its_packages_it_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "opentelemetry.sdk.trace", None)
    with pytest.raises(TracingMissing, match=r"pip install 'rimaye\[tracing\]'"):
        tracing.begin(Settings(trace_url="http://127.0.0.1:1/v1/traces"))


def test_a_request_arrives_at_the_collector(sqlite_url: str, tmp_path: object) -> None:
    received: list[bytes] = []

    class Collector(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            received.append(self.rfile.read(int(self.headers["Content-Length"])))
            self.send_response(200)
            self.send_header("Content-Length", "0")
            self.end_headers()

        def log_message(self, format: str, *args: object) -> None:
            """Nothing is written."""

    with HTTPServer(("127.0.0.1", 0), Collector) as server:
        threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True).start()
        traces = f"http://127.0.0.1:{server.server_address[1]}/v1/traces"
        # A process of its own: what traces go to can be set once in each.
        command = [sys.executable, "-c", SERVE_ONE_REQUEST, sqlite_url, traces, str(tmp_path)]
        ran = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
        server.shutdown()
    assert ran.returncode == 0, ran.stderr
    assert any(b"/healthz" in body and b"rimaye" in body for body in received), ran.stderr
