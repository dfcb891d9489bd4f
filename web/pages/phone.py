"""What lets a browser keep the check for when there is no signal: its worker and its card."""

from __future__ import annotations

import hashlib
import json
from functools import lru_cache

from fastapi import APIRouter, Request
from fastapi.responses import Response

from api.access.permissions import public
from api.packing import Packed
from web.bundle import bundle
from web.site import STATIC, fingerprint, static_url

router = APIRouter(include_in_schema=False)

VERSIONED = ("style.css", "look.js", "live.js", "mark.svg", "check/check.css", "call.css", "call.js")
"""Files that pages of the check and of the call ask for by their content."""
TAKEN_IN = ("check/outbox.js", "check/sync.js")
"""Modules that the script of the call takes in, by their bare address."""
WORKER = "check/worker.js"
LIVE = "live.js"
FOR_EVER = "public, max-age=31536000, immutable"


def script_url() -> str:
    """The address of the check's script, with its content in it: a changed script has a new address."""
    return f"/check.js?v={_mark(_script(_prints()).plain)}"


def ahead(trip: str) -> str:
    """What the page will need, said before the browser has begun to read it."""
    return ", ".join(
        (
            f"<{script_url()}>; rel=modulepreload",
            f"</api/trips/{trip}/hands-on>; rel=preload; as=fetch; crossorigin",
            f"<{static_url('style.css')}>; rel=preload; as=style",
            f"<{static_url('check/check.css')}>; rel=preload; as=style",
        )
    )


def packed(answer: Response, accept_encoding: str) -> Response:
    """The same page compressed; there is little signal where it is read."""
    body, how = Packed(bytes(answer.body)).sent(accept_encoding)
    headers = {name: value for name, value in answer.headers.items() if name != "content-length"}
    return Response(body, answer.status_code, headers | how)


@router.get("/check.js", dependencies=[public("code of the page; holds nothing of anyone")])
def script(request: Request) -> Response:
    """All modules of the check as one, and what keeps the page live."""
    made = _script(_prints())
    asked_now = request.url.query == f"v={_mark(made.plain)}"
    headers = {"Cache-Control": FOR_EVER if asked_now else "no-cache", "Vary": "Accept-Encoding"}
    body, how = made.sent(request.headers.get("accept-encoding", ""))
    return Response(body, media_type="text/javascript", headers=headers | how)


def _prints() -> tuple[str, ...]:
    """What the files say of themselves from which the script is made."""
    modules = [file for file in sorted((STATIC / "check").glob("*.js")) if file.name != "worker.js"]
    return tuple(fingerprint(file) for file in (*modules, STATIC / LIVE))


@lru_cache(maxsize=4)
def _script(_prints: tuple[str, ...]) -> Packed:
    """The script; made anew when one of its files has changed."""
    return Packed(bundle(STATIC / "check", "check", STATIC / LIVE).encode(), thorough=True)


def _mark(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()[:12]


@router.get("/sw.js", dependencies=[public("code of the page; holds nothing of anyone")])
def worker() -> Response:
    """The service worker. It changes with any file it keeps, so a browser notices and takes them anew."""
    bare = [f"/static/{name}" for name in TAKEN_IN]
    kept = [script_url(), *(static_url(name) for name in VERSIONED), *bare, "/manifest.webmanifest"]
    code = (STATIC / WORKER).read_text(encoding="utf-8")
    version = _mark(" ".join([*kept, code]).encode())
    text = f"const VERSION = {json.dumps(version)};\nconst KEPT = {json.dumps(kept)};\n{code}"
    return Response(text, media_type="text/javascript", headers={"Cache-Control": "no-cache"})


@router.get("/manifest.webmanifest", dependencies=[public("name and mark of the app")])
def manifest() -> Response:
    """What a phone shows when the page is put on its home screen."""
    told = {
        "name": "Rimaye",
        "short_name": "Rimaye",
        "id": "/",
        "start_url": "/",
        "scope": "/",
        "display": "standalone",
        "background_color": "#f5f8f9",
        "theme_color": "#10202a",
        "icons": [{"src": static_url("mark.svg"), "sizes": "any", "type": "image/svg+xml"}],
    }
    return Response(
        json.dumps(told), media_type="application/manifest+json", headers={"Cache-Control": "no-cache"}
    )
