"""Signing in through the outfit's own OpenID Connect service, off until it is configured.

Authorization code with PKCE (RFC 7636), state and nonce; `authlib` talks to the service and `joserfc` checks
what it signs. It lets in only people who have an account here: an account is bound to the subject at the
first sign-in, by an address that the service says it has verified.
"""

from __future__ import annotations

from datetime import timedelta
from typing import Any
from urllib.parse import urlsplit

from fastapi import Request
from sqlalchemy import Row

from api.access import queries, service
from api.access.signing_in import (
    SignInFailed,
    forget_after,
    link_to,
    note_failure,
    now_of,
    open_in,
    own_path,
)
from api.access.tokens import hash_of, new_token
from api.db import Database
from api.errors import NotFound, Unavailable
from api.settings import Settings

LASTS = timedelta(minutes=10)
WAIT_S = 10.0
SIGNED_BY = ["RS256", "ES256", "PS256", "EdDSA"]
"""Only public-key signatures; "none" and shared secrets are refused."""


def configured(settings: Settings) -> bool:
    """Whether an OpenID Connect service is set."""
    return bool(settings.openid_issuer and settings.openid_client_id)


async def begin(request: Request, back: str) -> tuple[str, str]:
    """The address to send the browser to, and the token that binds the answer to this browser."""
    settings = _settings(request)
    state, nonce, verifier = new_token(), new_token(), new_token()
    async with _client(request) as client:
        about = await _about(client, settings)
        url, _ = client.create_authorization_url(
            about["authorization_endpoint"], state=state, nonce=nonce, code_verifier=verifier
        )
    token, now = new_token(), now_of(request)
    db: Database = request.app.state.db
    async with db.writing_async() as work:
        queries.add_ceremony(
            work,
            {
                "token_hash": hash_of(token),
                "kind": "openid",
                "staff_id": None,
                "data": {"state": state, "nonce": nonce, "verifier": verifier, "back": own_path(back)},
                "expires_at": now + LASTS,
            },
            now,
        )
    return url, token


async def finish(request: Request, token: str, state: str, code: str) -> tuple[service.Opened, str]:
    """Open a session from the service's answer. Returns it, and where to go on.

    Raises SignInFailed when the answer belongs to another browser, is not signed for us, or is about nobody
    here.
    """
    settings = _settings(request)
    db: Database = request.app.state.db
    async with db.writing_async() as work:
        begun = queries.take_ceremony(work, hash_of(token), "openid", now_of(request))
    if begun is None or not code or begun.data["state"] != state:
        raise _failed()
    claims = await _claims(request, settings, code, begun.data)
    subject = f"{settings.openid_issuer} {claims['sub']}"
    async with db.writing_async() as work:
        forget_after(request, work)
        person = queries.staff_by_subject(work, subject) or _by_verified_email(work, claims)
        if person is not None and person.active:
            if person.openid_subject is None:
                queries.change_staff(work, person.id, {"openid_subject": subject})
            return open_in(request, work, person, how="openid"), begun.data["back"]
    await note_failure(request, person, "openid")
    raise _failed()


def _by_verified_email(work: Any, claims: dict[str, Any]) -> Row[Any] | None:
    email = claims.get("email")
    if not isinstance(email, str) or claims.get("email_verified") is not True:
        return None
    person = queries.staff_by_email(work, email.strip().lower())
    return person if person is not None and person.openid_subject is None else None


async def _claims(request: Request, settings: Settings, code: str, begun: dict[str, str]) -> dict[str, Any]:
    """What the service says about who signed in, once its signature, audience, nonce and time are checked."""
    import httpx2
    from authlib.integrations.base_client import OAuthError
    from joserfc import jwt
    from joserfc.errors import JoseError
    from joserfc.jwk import KeySet

    try:
        async with _client(request) as client:
            about = await _about(client, settings)
            token = await client.fetch_token(
                about["token_endpoint"],
                grant_type="authorization_code",
                code=code,
                code_verifier=begun["verifier"],
            )
            keys = (await client.request("GET", about["jwks_uri"], withhold_token=True)).json()
        decoded = jwt.decode(token["id_token"], KeySet.import_key_set(keys), algorithms=SIGNED_BY)
        jwt.JWTClaimsRegistry(
            now=int(now_of(request).timestamp()),
            leeway=60,
            iss={"essential": True, "value": about["issuer"]},
            aud={"essential": True, "value": settings.openid_client_id},
            nonce={"essential": True, "value": begun["nonce"]},
            exp={"essential": True},
            sub={"essential": True},
        ).validate(decoded.claims)
    except (OAuthError, JoseError, KeyError, ValueError, httpx2.HTTPError) as error:
        await note_failure(request, None, "openid")
        raise _failed() from error
    return dict(decoded.claims)


async def _about(client: Any, settings: Settings) -> dict[str, Any]:
    """The service's own description. It must name the issuer that was configured, and be reached by https."""
    import httpx2

    issuer = settings.openid_issuer.rstrip("/")
    try:
        found = await client.request("GET", f"{issuer}/.well-known/openid-configuration", withhold_token=True)
        about: dict[str, Any] = found.raise_for_status().json()
    except (httpx2.HTTPError, ValueError) as error:
        raise Unavailable(
            "The outfit's sign-in service does not answer. Use the password, or wait."
        ) from error
    ends = [str(about.get(name, "")) for name in ("authorization_endpoint", "token_endpoint", "jwks_uri")]
    if str(about.get("issuer", "")).rstrip("/") != issuer or not all(_is_safe(end) for end in ends):
        raise Unavailable("The outfit's sign-in service is not set up right. Tell your administrator.")
    return about


def _is_safe(url: str) -> bool:
    return urlsplit(url).scheme == "https"


def _client(request: Request) -> Any:
    """An OAuth client for one exchange. ``app.state.openid_transport`` may stand in for the network."""
    from authlib.integrations.httpx_client import AsyncOAuth2Client

    settings = _settings(request)
    return AsyncOAuth2Client(
        client_id=settings.openid_client_id,
        client_secret=settings.openid_client_secret.get_secret_value() or None,
        scope="openid email profile",
        redirect_uri=link_to(request, "/sign-in/openid/back"),
        code_challenge_method="S256",
        timeout=WAIT_S,
        transport=getattr(request.app.state, "openid_transport", None),
    )


def _settings(request: Request) -> Settings:
    settings: Settings = request.app.state.settings
    if not configured(settings):
        raise NotFound("There is no outside sign-in here. Use the password or a passkey.")
    return settings


def _failed() -> SignInFailed:
    return SignInFailed(
        "The outfit's sign-in service did not let you in here. Try again, or use the password."
    )
