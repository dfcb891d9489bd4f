"""Web push (RFC 8030): a message sealed for one device (RFC 8291), signed by this installation (RFC 8292).

A device names the address itself, so it is asked with care: only by https, only where the name leads to
public addresses, at the very address that was looked at, without following where it leads.
"""

from __future__ import annotations

import base64
import binascii
import ipaddress
import json
import os
import socket
from collections.abc import Mapping
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import urlsplit

from api.errors import Conflict, Invalid
from api.readiness.delivery import TIMEOUT_S, Letter, NotDelivered
from api.readiness.schemas import CAUTION
from api.settings import Settings

if TYPE_CHECKING:
    from py_vapid import Vapid02

KEY_FILE = "push.pem"
KEPT_FOR = timedelta(days=1)
"""How long a push service keeps a message for a device that is off."""
SIGNED_FOR = timedelta(hours=12)
POINT_BYTES, AUTH_BYTES = 65, 16


class Gone(NotDelivered):
    """The device takes no more messages: its subscription has ended."""


def is_on(settings: Settings) -> bool:
    """Whether this installation sends pushes."""
    return bool(settings.push_contact)


def public_key(settings: Settings) -> str:
    """The key that a browser subscribes with, as the Push API takes it. Raises Conflict while push is off."""
    from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat

    if not is_on(settings):
        raise Conflict("Push is off here. Set RIMAYE_PUSH_CONTACT to turn it on.")
    point = _signer(settings).public_key.public_bytes(Encoding.X962, PublicFormat.UncompressedPoint)
    return base64.urlsafe_b64encode(point).rstrip(b"=").decode()


def check_subscription(settings: Settings, endpoint: str, keys: Mapping[str, str]) -> None:
    """Raises Conflict while push is off, Invalid for what no browser gives."""
    if not is_on(settings):
        raise Conflict("Push is off here. Set RIMAYE_PUSH_CONTACT to turn it on.")
    if not _may_ask(settings, endpoint):
        raise Invalid.field(
            "endpoint", endpoint[:200], "this is no public https address.", "Let the browser subscribe again."
        )
    point, auth = _bytes(keys.get("p256dh", "")), _bytes(keys.get("auth", ""))
    if len(point) != POINT_BYTES or len(auth) != AUTH_BYTES or not _on_curve(point):
        raise Invalid.field(
            "keys", None, "these are no keys of a subscription.", "Let the browser subscribe again."
        )


def push(settings: Settings, letter: Letter, trip: str, keys: Mapping[str, str], now: datetime) -> None:
    """Hand a digest over to a device. Raises Gone when it takes no more, NotDelivered for other faults."""
    import httpx

    if not is_on(settings) or not _may_ask(settings, letter.address):
        raise NotDelivered("this installation pushes nothing there any more")
    headers = _signed(settings, letter.address, now) | {
        "content-type": "application/octet-stream",
        "content-encoding": "aes128gcm",
        "ttl": str(int(KEPT_FOR.total_seconds())),
        "urgency": "high",
    }
    body = _sealed(message(letter, trip), keys)
    url, host = _pinned(settings, letter.address)
    try:
        # No proxy of the environment: it would look the name up again, and might be led elsewhere.
        with httpx.Client(timeout=TIMEOUT_S, trust_env=False, follow_redirects=False) as client:
            answer = client.post(
                url, content=body, headers=headers | {"host": host}, extensions={"sni_hostname": _name(host)}
            )
    except (httpx.HTTPError, httpx.InvalidURL) as error:
        raise NotDelivered(f"{type(error).__name__}: {error}") from error
    if answer.status_code in (404, 410):
        raise Gone("the device has ended its subscription")
    if not answer.is_success:
        raise NotDelivered(f"answered with status {answer.status_code}")


def message(letter: Letter, trip: str) -> bytes:
    """What a device shows: how many flags changed on which trip. A locked screen is read by anyone, so who
    and what stay on the board.
    """
    text = f"The board says who and what. {CAUTION}"
    told = {"title": letter.title, "text": text, "url": f"/trips/{trip}", "id": letter.id}
    return json.dumps(told, ensure_ascii=False).encode()


# -- sealing and signing


def _sealed(text: bytes, keys: Mapping[str, str]) -> bytes:
    import http_ece
    from cryptography.hazmat.primitives.asymmetric import ec

    sealed: bytes = http_ece.encrypt(
        text,
        private_key=ec.generate_private_key(ec.SECP256R1()),
        dh=_bytes(keys.get("p256dh", "")),
        auth_secret=_bytes(keys.get("auth", "")),
        version="aes128gcm",
    )
    return sealed


def _signed(settings: Settings, endpoint: str, now: datetime) -> dict[str, str]:
    parts = urlsplit(endpoint)
    claims = {
        "aud": f"{parts.scheme}://{parts.netloc}",
        "exp": int((now + SIGNED_FOR).timestamp()),
        "sub": settings.push_contact,
    }
    signed: dict[str, str] = _signer(settings).sign(claims)
    return {name.lower(): value for name, value in signed.items()}


def _signer(settings: Settings) -> Vapid02:
    from py_vapid import Vapid02

    given = settings.push_key.get_secret_value()
    if given:
        return Vapid02.from_raw(given.encode())
    file = settings.data_dir / "keys" / KEY_FILE
    if not file.exists():
        _make_key(file)
    return Vapid02.from_pem(file.read_bytes())


def _make_key(file: Path) -> None:
    from cryptography.hazmat.primitives.asymmetric import ec
    from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat

    file.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    key = ec.generate_private_key(ec.SECP256R1())
    written = key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())
    try:
        # Never, not even for a moment, readable by others.
        handle = os.open(file, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    except FileExistsError:
        return  # another process made it first
    with os.fdopen(handle, "wb") as out:
        out.write(written)


def _bytes(text: str) -> bytes:
    try:
        return base64.urlsafe_b64decode(text + "=" * (-len(text) % 4))
    except (binascii.Error, ValueError):
        return b""


def _on_curve(point: bytes) -> bool:
    from cryptography.hazmat.primitives.asymmetric import ec

    try:
        ec.EllipticCurvePublicKey.from_encoded_point(ec.SECP256R1(), point)
    except ValueError:
        return False
    return True


# -- where it may go


def _may_ask(settings: Settings, endpoint: str) -> bool:
    try:
        parts = urlsplit(endpoint)
        host, _ = parts.hostname, parts.port
    except ValueError:
        return False
    if not host or parts.username is not None or any(not c.isprintable() or c.isspace() for c in endpoint):
        return False
    if f"{parts.scheme}://{parts.netloc}" in settings.push_own_origins.split():
        return True
    try:
        return parts.scheme == "https" and ipaddress.ip_address(host).is_global
    except ValueError:
        return parts.scheme == "https" and "." in host


def _pinned(settings: Settings, endpoint: str) -> tuple[Any, str]:
    """The address with the name replaced by where it leads, and the name. Raises NotDelivered."""
    import httpx

    url = httpx.URL(endpoint)
    netloc = urlsplit(endpoint).netloc
    if f"{url.scheme}://{netloc}" in settings.push_own_origins.split():
        return url, netloc
    try:
        found = socket.getaddrinfo(url.host, url.port or 443, type=socket.SOCK_STREAM)
    except OSError as error:
        raise NotDelivered(f"{type(error).__name__}: the name of the push service is not known") from error
    addresses = [str(entry[4][0]) for entry in found]
    if not addresses or not all(ipaddress.ip_address(address).is_global for address in addresses):
        raise NotDelivered("the name of the push service leads to a private address")
    return url.copy_with(host=addresses[0]), netloc


def _name(netloc: str) -> str:
    return urlsplit(f"//{netloc}").hostname or netloc
