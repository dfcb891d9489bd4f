"""A way between two parties that a test can cut, hold up or slow down: a small TCP proxy on loopback."""

from __future__ import annotations

import socket
import threading
import time
from contextlib import suppress

CHUNK = 65_536


class Proxy:
    """Passes bytes between who connects to ``port`` and a server, which listens on TCP or on a file."""

    def __init__(self, upstream: tuple[str, int] | str) -> None:
        self._upstream = upstream
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._listener.getsockname()[1])
        self._guard = threading.Lock()
        self._open: set[socket.socket] = set()
        self._cut = threading.Event()
        self._flowing = threading.Event()
        self._flowing.set()
        self._answers = threading.Event()
        self._answers.set()
        self._closed = False
        self.delay_s = 0.0
        """Waited before each piece is passed on."""
        self._accepting = threading.Thread(target=self._accept, daemon=True)
        self._accepting.start()

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def cut(self) -> None:
        """Break what is open, and let nobody through until ``heal``."""
        self._cut.set()
        self._break()

    def hold(self) -> None:
        """Pass on nothing and break nothing, as a network does that loses every packet."""
        self._flowing.clear()

    def swallow_answers(self) -> None:
        """Pass on what is asked and nothing of what is answered."""
        self._answers.clear()

    def heal(self) -> None:
        self._cut.clear()
        self._flowing.set()
        self._answers.set()
        self.delay_s = 0.0

    def close(self) -> None:
        self._closed = True
        self.heal()
        self._listener.close()
        self._break()

    def _break(self) -> None:
        with self._guard:
            for each in self._open:
                with suppress(OSError):
                    each.shutdown(socket.SHUT_RDWR)
                each.close()
            self._open.clear()

    def _accept(self) -> None:
        while not self._closed:
            try:
                client, _ = self._listener.accept()
            except OSError:
                return
            try:
                if self._cut.is_set():
                    raise ConnectionRefusedError
                server = self._connect()
            except OSError:
                client.close()
                continue
            with self._guard:
                self._open |= {client, server}
            for source, sink, answers in ((client, server, False), (server, client, True)):
                threading.Thread(target=self._pump, args=(source, sink, answers), daemon=True).start()

    def _connect(self) -> socket.socket:
        if isinstance(self._upstream, str):
            server = socket.socket(socket.AF_UNIX)
            server.connect(self._upstream)
            return server
        return socket.create_connection(self._upstream)

    def _pump(self, source: socket.socket, sink: socket.socket, answers: bool) -> None:
        with suppress(OSError):
            while piece := source.recv(CHUNK):
                time.sleep(self.delay_s)
                self._flowing.wait()
                if answers:
                    self._answers.wait()
                sink.sendall(piece)
        for each in (source, sink):
            with suppress(OSError):
                each.shutdown(socket.SHUT_RDWR)
            each.close()
        with self._guard:
            self._open -= {source, sink}
