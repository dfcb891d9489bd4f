"""Who is asking. Until there are accounts: the demo's choice of role, else the lead guide at this machine.

Everything else takes a `Reader` and does not care where it came from. Accounts will fill the same value from
a session; only `current_reader` changes then.
"""

from dataclasses import dataclass
from typing import Annotated, Literal, get_args

from fastapi import Depends, Request

from api.access.queries import first_outfit
from api.db import Database
from api.errors import NotFound
from api.settings import Settings

Role = Literal["lead", "assistant", "office"]
ROLES: tuple[Role, ...] = get_args(Role)
ROLE_COOKIE = "rimaye_role"

NAMES: dict[Role, str] = {"lead": "Lead guide", "assistant": "Assistant guide", "office": "Office"}
"""How someone without an account is named in the journal."""


@dataclass(frozen=True, slots=True)
class Reader:
    """The person a request comes from."""

    outfit: str
    staff: str
    """Id of the person among the outfit's staff."""
    name: str
    role: Role


async def current_reader(request: Request) -> Reader:
    """The person this request comes from. Raises NotFound while there is no outfit."""
    settings: Settings = request.app.state.settings
    role = _chosen_role(request) if settings.demo else "lead"
    return Reader(outfit=await _only_outfit(request), staff=role, name=NAMES[role], role=role)


CurrentReader = Annotated[Reader, Depends(current_reader)]


def _chosen_role(request: Request) -> Role:
    chosen = request.cookies.get(ROLE_COOKIE)
    return next((role for role in ROLES if role == chosen), "lead")


async def _only_outfit(request: Request) -> str:
    known: str | None = getattr(request.app.state, "only_outfit", None)
    if known is not None:
        return known
    db: Database = request.app.state.db
    async with db.reading_async() as conn:
        outfit = first_outfit(conn)
    if outfit is None:
        raise NotFound("There is no outfit yet. Add one with: rimaye outfit add, or begin with the demo.")
    request.app.state.only_outfit = outfit
    return outfit
