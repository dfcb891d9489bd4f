"""The log of access: sign-ins, failed ones, invitations, changes of role, revocations, tokens, refusals."""

from __future__ import annotations

from datetime import datetime
from typing import Literal

from sqlalchemy import Connection

from api.access import queries
from api.access.tokens import HERE, Visitor
from api.ids import new_id

What = Literal[
    "set up",
    "signed in",
    "sign-in failed",
    "signed out",
    "sign-in ended",
    "all sign-ins ended",
    "invited",
    "link made",
    "link used",
    "links revoked",
    "password changed",
    "passkey added",
    "passkey removed",
    "token made",
    "token used",
    "token revoked",
    "role changed",
    "deactivated",
    "activated",
    "assigned to trip",
    "taken off trip",
    "refused",
    "slowed down",
]


def record(
    conn: Connection,
    now: datetime,
    what: What,
    *,
    outfit: str | None,
    staff: str | None = None,
    about: str = "",
    visitor: Visitor = HERE,
) -> None:
    """Add a line: who (`staff`) did what, to or with what (`about`), from which network, and when."""
    queries.add_log(
        conn,
        {
            "id": str(new_id()),
            "outfit_id": outfit,
            "staff_id": staff,
            "what": what,
            "about": about[:200],
            "address": visitor.network,
            "at": now,
        },
    )
