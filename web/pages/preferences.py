"""What a device prefers: the units numbers are shown in."""

from typing import Annotated
from urllib.parse import urlsplit

from fastapi import APIRouter, Form
from fastapi.responses import RedirectResponse

from api.access.permissions import public
from web.words import Units

router = APIRouter(include_in_schema=False)
_TWO_YEARS_S = 2 * 365 * 24 * 3600


@router.post("/units", dependencies=[public("units of this device only")])
def choose_units(units: Annotated[Units, Form()], back: Annotated[str, Form()] = "/") -> RedirectResponse:
    """Remember the units on this device and go back to where one was."""
    answer = RedirectResponse(_own_path(back), status_code=303)
    answer.set_cookie("units", units.value, max_age=_TWO_YEARS_S, samesite="lax", httponly=True)
    return answer


def _own_path(back: str) -> str:
    """A path on this site; anything that could lead elsewhere becomes the start page."""
    parts = urlsplit(back)
    safe = back.startswith("/") and not back.startswith(("//", "/\\")) and not (parts.scheme or parts.netloc)
    return back if safe else "/"
