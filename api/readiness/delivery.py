"""Handing a digest over: by e-mail, or to a program by a signed webhook. Both are off until configured.

Webhooks are signed as the open Standard Webhooks specification has it: `webhook-id`, `webhook-timestamp` and
`webhook-signature: v1,BASE64(HMAC-SHA256(secret, "ID.TIMESTAMP.BODY"))`.
"""

import base64
import hashlib
import hmac
import json
from collections.abc import Mapping
from datetime import datetime
from email.message import EmailMessage
from typing import Any, Protocol
from urllib.parse import urlsplit

from api.errors import Conflict, Invalid
from api.settings import Settings

TIMEOUT_S = 10.0


class NotDelivered(Exception):
    """It could not be handed over this time; it says why."""


class Letter(Protocol):
    """What is delivered."""

    @property
    def id(self) -> str: ...
    @property
    def channel(self) -> str: ...
    @property
    def address(self) -> str: ...
    @property
    def title(self) -> str: ...
    @property
    def text(self) -> str: ...
    @property
    def payload(self) -> Mapping[str, Any]: ...


def check_address(settings: Settings, channel: str, address: str) -> str:
    """The address as it will be used. Raises Conflict when the channel is off, Invalid for a wrong one."""
    if channel == "email":
        if not settings.smtp_host or not settings.mail_from:
            raise Conflict("E-mail is off here. Set RIMAYE_SMTP_HOST and RIMAYE_MAIL_FROM to turn it on.")
        local, at, domain = address.partition("@")
        if not (local and at and domain) or any(c.isspace() or not c.isprintable() for c in address):
            raise Invalid.field(
                "address", address, "this is no e-mail address.", "Write it like a@b.example."
            )
        return address
    if not settings.webhook_secret.get_secret_value() or not settings.webhook_hosts:
        raise Conflict(
            "Webhooks are off here. Set RIMAYE_WEBHOOK_SECRET and RIMAYE_WEBHOOK_HOSTS to turn them on."
        )
    if not _allowed(settings, address):
        hosts = ", ".join(settings.webhook_hosts.split())
        raise Invalid.field(
            "address", address, "this installation sends nothing there.", f"Use an address at: {hosts}."
        )
    return address


def _allowed(settings: Settings, address: str) -> bool:
    """Whether an address begins with one of the configured origins; nothing else is ever asked."""
    parts = urlsplit(address)
    origin = f"{parts.scheme}://{parts.netloc}"
    return parts.scheme in ("http", "https") and origin in settings.webhook_hosts.split()


def deliver(settings: Settings, letter: Letter, now: datetime) -> None:
    """Hand one over. Raises NotDelivered."""
    if letter.channel == "email":
        _mail(settings, letter)
    else:
        _post(settings, letter, now)


def _mail(settings: Settings, letter: Letter) -> None:
    # Imported where used, as httpx below: most installations send nothing, and starting must be quick.
    import smtplib
    import ssl

    message = EmailMessage()
    message["From"], message["To"] = settings.mail_from, letter.address
    message["Subject"] = " ".join(letter.title.split())
    message["Message-ID"] = f"<{letter.id}@rimaye>"
    message.set_content(letter.text)
    context = ssl.create_default_context()
    where = (settings.smtp_host, settings.smtp_port)
    try:
        server = (
            smtplib.SMTP_SSL(*where, timeout=TIMEOUT_S, context=context)
            if settings.smtp_security == "tls"
            else smtplib.SMTP(*where, timeout=TIMEOUT_S)
        )
        with server:
            if settings.smtp_security == "starttls":
                server.starttls(context=context)
            if settings.smtp_user:
                server.login(settings.smtp_user, settings.smtp_password.get_secret_value())
            server.send_message(message)
    except (OSError, smtplib.SMTPException) as error:
        raise NotDelivered(f"{type(error).__name__}: {error}") from error


def _post(settings: Settings, letter: Letter, now: datetime) -> None:
    import httpx

    if not _allowed(settings, letter.address):
        raise NotDelivered("this installation sends nothing there any more")
    body = json.dumps(letter.payload, ensure_ascii=False, sort_keys=True, separators=(",", ":")).encode()
    stamp = str(int(now.timestamp()))
    secret = settings.webhook_secret.get_secret_value()
    headers = {
        "content-type": "application/json",
        "webhook-id": letter.id,
        "webhook-timestamp": stamp,
        "webhook-signature": signature(secret, letter.id, stamp, body),
    }
    try:
        # Redirects are not followed: they could lead anywhere.
        answer = httpx.post(letter.address, content=body, headers=headers, timeout=TIMEOUT_S)
    except httpx.HTTPError as error:
        raise NotDelivered(f"{type(error).__name__}: {error}") from error
    if not answer.is_success:
        raise NotDelivered(f"answered with status {answer.status_code}")


def signature(secret: str, id_: str, stamp: str, body: bytes) -> str:
    """The signature of a webhook, over its id, its time and its body."""
    signed = f"{id_}.{stamp}.".encode() + body
    return "v1," + base64.b64encode(hmac.new(secret.encode(), signed, hashlib.sha256).digest()).decode()
