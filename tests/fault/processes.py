"""Processes of the service as they run in production, to be killed, stopped and started again."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import time
from contextlib import suppress
from pathlib import Path

import httpx

ROOT = Path(__file__).resolve().parents[2]
START_WAIT_S = 60.0


class Process:
    """One `rimaye serve` on a port of its own, which it keeps when it is started again."""

    def __init__(self, settings: dict[str, str], log: Path) -> None:
        self.port = free_port()
        self.url = f"http://127.0.0.1:{self.port}"
        self._settings = settings | {"RIMAYE_PORT": str(self.port), "RIMAYE_ACCESS_LOG": "false"}
        self._log = log
        self._running: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Returns at once; see ``wait_until_ready``."""
        others = {name: value for name, value in os.environ.items() if not name.startswith("RIMAYE_")}
        with self._log.open("ab") as log:
            self._running = subprocess.Popen(
                [sys.executable, "-m", "api.cli", "serve"],
                cwd=ROOT,
                env=others | self._settings,
                stdout=log,
                stderr=log,
            )

    def wait_until_ready(self) -> None:
        until = time.monotonic() + START_WAIT_S
        while time.monotonic() < until:
            with suppress(httpx.TransportError):
                if httpx.get(f"{self.url}/readyz", timeout=2).status_code == 200:
                    return
            time.sleep(0.1)
        raise RuntimeError(
            f"{self.url} is not ready; its log: {self._log.read_text(errors='replace')[-2000:]}"
        )

    def kill(self) -> None:
        """As the system does it when memory runs out: nothing runs any more, nothing is said."""
        if self._running is not None:
            self._running.send_signal(signal.SIGKILL)
            self._running.wait()

    def stop(self) -> float:
        """As a supervisor does it; returns how long it took. [s]"""
        if self._running is None or self._running.poll() is not None:
            return 0.0
        began = time.monotonic()
        self._running.terminate()
        try:
            self._running.wait(30)
        except subprocess.TimeoutExpired:
            self.kill()
        return time.monotonic() - began

    @property
    def pid(self) -> int:
        """The number the system knows it by."""
        if self._running is None:
            raise RuntimeError("it was not started")
        return self._running.pid


def free_port() -> int:
    """A port nobody listens on at this moment."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])
