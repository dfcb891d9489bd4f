"""What lets a browser keep the check for when there is no signal: its worker and its card."""

from __future__ import annotations

import hashlib
import json
from functools import lru_cache

from fastapi import APIRouter
from fastapi.responses import Response

from api.access.permissions import public
from web.site import STATIC, fingerprint, static_url

router = APIRouter(include_in_schema=False)

VERSIONED = ("style.css", "look.js", "live.js", "mark.svg", "check/check.css")
"""Files that pages of the check ask for by their content."""
WORKER = "check/worker.js"


def modules() -> tuple[str, ...]:
    """The check's modules, which ask for each other by name."""
    return tuple(
        f"check/{file.name}" for file in sorted((STATIC / "check").glob("*.js")) if file.name != "worker.js"
    )


@lru_cache(maxsize=8)
def _worker(_prints: tuple[str, ...]) -> str:
    kept = [static_url(name) for name in VERSIONED] + [f"/static/{name}" for name in modules()]
    kept.append("/manifest.webmanifest")
    version = hashlib.sha256(" ".join(_prints).encode()).hexdigest()[:12]
    code = (STATIC / WORKER).read_text(encoding="utf-8")
    return f"const VERSION = {json.dumps(version)};\nconst KEPT = {json.dumps(kept)};\n{code}"


@router.get("/sw.js", dependencies=[public("code of the page; holds nothing of anyone")])
def worker() -> Response:
    """The service worker. It changes with any file it keeps, so a browser notices and takes them anew."""
    names = (*VERSIONED, *modules(), WORKER)
    text = _worker(tuple(fingerprint(STATIC / name) for name in names))
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
