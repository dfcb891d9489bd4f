"""Passkeys (WebAuthn): add one to an account, and sign in with it. The `webauthn` library does the checking.

Each challenge is kept on this side, bound to a cookie of the device that asked, good for minutes and once.
"""

from __future__ import annotations

import json
from datetime import timedelta
from ipaddress import ip_address
from typing import Any
from urllib.parse import urlsplit

from fastapi import Request
from sqlalchemy import Row

from api.access import queries, service, typed
from api.access.current import Reader
from api.access.signing_in import (
    SignInFailed,
    forget_after,
    link_to,
    note_failure,
    now_of,
    open_in,
    visitor_of,
)
from api.access.staff_log import record
from api.access.tokens import hash_of, new_token
from api.db import Database
from api.errors import Conflict, Invalid

CEREMONY_LASTS = timedelta(minutes=5)
CHALLENGE_LASTS_MS = int(CEREMONY_LASTS.total_seconds() * 1000)
MOST_PASSKEYS = 20


def rp_id(request: Request) -> str | None:
    """The name that passkeys are bound to; None where people reach this by a bare address."""
    host = (urlsplit(link_to(request, "/")).hostname or "").lower()
    try:
        ip_address(host)
    except ValueError:
        return host or None
    return None


def _origin(request: Request) -> str:
    parts = urlsplit(link_to(request, "/"))
    return f"{parts.scheme}://{parts.netloc}"


def _named(request: Request) -> str:
    name = rp_id(request)
    if name is None:
        raise Conflict(
            "Passkeys need a name instead of a bare address. "
            "Open this installation by its name, such as localhost."
        )
    return name


async def begin_adding(request: Request, reader: Reader) -> tuple[str, str]:
    """Options for a new passkey as JSON, and the token that its answer must bring along."""
    from webauthn import generate_registration_options, options_to_json
    from webauthn.helpers import base64url_to_bytes
    from webauthn.helpers.structs import (
        AuthenticatorSelectionCriteria,
        PublicKeyCredentialDescriptor,
        ResidentKeyRequirement,
        UserVerificationRequirement,
    )

    db: Database = request.app.state.db
    name = _named(request)
    async with db.reading_async() as conn:
        person = service.colleague(conn, reader, reader.staff)
        there = queries.passkeys_of(conn, reader.staff)
    if len(there) >= MOST_PASSKEYS:
        raise Conflict(f"There are {len(there)} passkeys already. Remove one that is not used.")
    options = generate_registration_options(
        rp_id=name,
        rp_name="Rimaye",
        user_id=person.id.encode(),
        user_name=person.email,
        user_display_name=person.name,
        timeout=CHALLENGE_LASTS_MS,
        authenticator_selection=AuthenticatorSelectionCriteria(
            resident_key=ResidentKeyRequirement.REQUIRED,
            user_verification=UserVerificationRequirement.REQUIRED,
        ),
        exclude_credentials=[PublicKeyCredentialDescriptor(id=base64url_to_bytes(row.id)) for row in there],
    )
    return options_to_json(options), await _keep(request, "add-passkey", options.challenge, reader.staff)


async def finish_adding(request: Request, reader: Reader, token: str, credential: Any, label: str) -> None:
    """Check a new passkey and keep its public half. Raises Invalid when it does not answer the challenge."""
    from webauthn import verify_registration_response
    from webauthn.helpers import bytes_to_base64url
    from webauthn.helpers.exceptions import WebAuthnException

    db: Database = request.app.state.db
    now = now_of(request)
    label = typed.checked_name("label", label)
    async with db.writing_async() as work:
        challenge = queries.take_ceremony(work, hash_of(token), "add-passkey", now)
    if challenge is None or challenge.staff_id != reader.staff:
        raise _too_late()
    try:
        added = verify_registration_response(
            credential=json.dumps(credential),
            expected_challenge=bytes.fromhex(challenge.data["challenge"]),
            expected_rp_id=_named(request),
            expected_origin=_origin(request),
            require_user_verification=True,
        )
    except (WebAuthnException, ValueError, KeyError, TypeError) as error:
        raise Invalid.field(
            "credential", None, "This passkey does not answer the challenge.", "Add it again from the page."
        ) from error
    async with db.writing_async() as work:
        key = bytes_to_base64url(added.credential_id)
        if queries.passkey_by_id(work, key) is not None:
            raise Conflict("This passkey is in use already.")
        queries.add_passkey(
            work,
            {
                "id": key,
                "staff_id": reader.staff,
                "public_key": bytes_to_base64url(added.credential_public_key),
                "sign_count": added.sign_count,
                "label": label,
                "created_at": now,
                "used_at": None,
            },
        )
        record(
            work,
            now,
            "passkey added",
            outfit=reader.outfit,
            staff=reader.staff,
            about=label,
            visitor=visitor_of(request),
        )


async def begin_sign_in(request: Request) -> tuple[str, str]:
    """Options for signing in with whichever passkey the device holds: nothing is told about accounts."""
    from webauthn import generate_authentication_options, options_to_json
    from webauthn.helpers.structs import UserVerificationRequirement

    options = generate_authentication_options(
        rp_id=_named(request),
        timeout=CHALLENGE_LASTS_MS,
        user_verification=UserVerificationRequirement.REQUIRED,
    )
    return options_to_json(options), await _keep(request, "passkey-sign-in", options.challenge, None)


async def finish_sign_in(request: Request, token: str, credential: Any) -> service.Opened:
    """Sign in with a passkey. Raises SignInFailed when it does not answer the challenge or is unknown."""
    db: Database = request.app.state.db
    now = now_of(request)
    async with db.writing_async() as work:
        challenge = queries.take_ceremony(work, hash_of(token), "passkey-sign-in", now)
        key = str(credential.get("id", "")).replace("\x00", "") if isinstance(credential, dict) else ""
        person = queries.passkey_by_id(work, key)
    sign_count = _answers(request, challenge, credential, person)
    if person is None or sign_count is None:
        await note_failure(request, person, "passkey")
        raise SignInFailed("This passkey does not open an account here. Try again, or use the password.")
    async with db.writing_async() as work:
        forget_after(request, work)
        queries.passkey_used(work, key, sign_count, now)
        return open_in(request, work, person, how="passkey")


def _answers(
    request: Request, challenge: Row[Any] | None, credential: Any, person: Row[Any] | None
) -> int | None:
    """The new counter of a passkey that answers the challenge; None when it does not."""
    from webauthn import verify_authentication_response
    from webauthn.helpers import base64url_to_bytes
    from webauthn.helpers.exceptions import WebAuthnException

    if challenge is None or person is None:
        return None
    try:
        shown = verify_authentication_response(
            credential=json.dumps(credential),
            expected_challenge=bytes.fromhex(challenge.data["challenge"]),
            expected_rp_id=_named(request),
            expected_origin=_origin(request),
            credential_public_key=base64url_to_bytes(person.public_key),
            credential_current_sign_count=person.sign_count,
            require_user_verification=True,
        )
    except (WebAuthnException, ValueError, KeyError, TypeError):
        return None
    return shown.new_sign_count


async def _keep(request: Request, kind: str, challenge: bytes, staff: str | None) -> str:
    db: Database = request.app.state.db
    now, token = now_of(request), new_token()
    async with db.writing_async() as work:
        queries.add_ceremony(
            work,
            {
                "token_hash": hash_of(token),
                "kind": kind,
                "staff_id": staff,
                "data": {"challenge": challenge.hex()},
                "expires_at": now + CEREMONY_LASTS,
            },
            now,
        )
    return token


def _too_late() -> Conflict:
    return Conflict("This was begun too long ago, or elsewhere. Begin again from the page.")
