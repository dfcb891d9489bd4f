"""The proxy of the deployment as it is configured there, on loopback, with a certificate made for it."""

from __future__ import annotations

import shutil
import ssl
import subprocess
import time
from datetime import timedelta
from ipaddress import ip_address
from pathlib import Path

import httpx
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

from api.clock import SystemClock
from tests.fault.processes import ROOT, free_port

CONFIG = ROOT / "deploy" / "nginx.conf"
START_WAIT_S = 10.0


class Nginx:
    """`deploy/nginx.conf` with other addresses, in front of two processes."""

    def __init__(self, folder: Path, ports: tuple[int, int]) -> None:
        self._folder = folder / "nginx"
        self._folder.mkdir()
        self.port = free_port()
        self.url = f"https://127.0.0.1:{self.port}"
        _make_certificate(self._folder)
        self.trust = ssl.create_default_context(cafile=self._folder / "fullchain.pem")
        self._file = self._folder / "nginx.conf"
        self._file.write_text(_at_home(CONFIG.read_text(), self._folder, self.port, ports))
        self._running: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Returns once it takes connections. Raises RuntimeError without nginx, or if it refuses its file."""
        program = shutil.which("nginx") or "/usr/sbin/nginx"
        if not Path(program).exists():
            raise RuntimeError("nginx is not installed. On Debian: apt-get install nginx-light")
        command = [program, "-e", "stderr", "-c", str(self._file), "-g", "daemon off; pid nginx.pid;"]
        with (self._folder / "log").open("wb") as log:
            self._running = subprocess.Popen([*command, "-p", str(self._folder)], stdout=log, stderr=log)
        until = time.monotonic() + START_WAIT_S
        while time.monotonic() < until and self._running.poll() is None:
            try:
                httpx.get(self.url, timeout=2, verify=self.trust)
            except httpx.ConnectError:
                time.sleep(0.05)
            else:
                return
        raise RuntimeError(f"nginx does not run: {(self._folder / 'log').read_text()}")

    def stop(self) -> None:
        if self._running is not None:
            self._running.terminate()
            self._running.wait(10)


def _at_home(config: str, folder: Path, port: int, ports: tuple[int, int]) -> str:
    """Everything as it is but for names, ports and folders. Raises RuntimeError where one is not found."""
    changed = {
        "board-1:8017": f"127.0.0.1:{ports[0]}",
        "board-2:8017": f"127.0.0.1:{ports[1]}",
        "listen 80;": f"listen 127.0.0.1:{free_port()};",
        "listen 443 ": f"listen 127.0.0.1:{port} ",
        "/etc/nginx/certificates": str(folder),
        "    access_log off;": "    access_log off;\n"
        + "".join(
            f"    {each}_temp_path {folder / each};\n"
            for each in ("client_body", "proxy", "fastcgi", "uwsgi", "scgi")
        ),
    }
    for was, now in changed.items():
        if was not in config:
            raise RuntimeError(f"the configuration has no {was} any more; change the harness with it")
        config = config.replace(was, now)
    return config


def _make_certificate(folder: Path) -> None:
    key, now = ec.generate_private_key(ec.SECP256R1()), SystemClock().now()
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "127.0.0.1")])
    made = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - timedelta(hours=1))
        .not_valid_after(now + timedelta(days=1))
        .add_extension(x509.SubjectAlternativeName([x509.IPAddress(ip_address("127.0.0.1"))]), critical=False)
        .sign(key, hashes.SHA256())
    )
    (folder / "fullchain.pem").write_bytes(made.public_bytes(serialization.Encoding.PEM))
    (folder / "privkey.pem").write_bytes(
        key.private_bytes(
            serialization.Encoding.PEM,
            serialization.PrivateFormat.PKCS8,
            serialization.NoEncryption(),
        )
    )
