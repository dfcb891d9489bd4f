"""What can be done with a thing of the locker by a small form of its own."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from pydantic import BaseModel

from api.access.current import Reader
from api.clock import Clock
from api.db import Work
from api.errors import NotFound
from api.locker import service
from api.locker.schemas import Inspection, Quarantine, Release, Retirement


@dataclass(frozen=True, slots=True)
class Deed:
    """Something done with a thing by a small form of its own."""

    heading: str
    hint: str
    button: str
    takes: type[BaseModel]
    fields: tuple[str, ...]
    act: Callable[[Work, Reader, Clock, str, Any], None]


DEEDS: Mapping[str, Deed] = {
    "quarantine": Deed(
        "Put in quarantine",
        "It is not lent any more until somebody competent has looked at it and released it.",
        "Put in quarantine",
        Quarantine,
        ("reason",),
        service.quarantine,
    ),
    "release": Deed(
        "Release from quarantine",
        "Whoever examined it stands for it by name.",
        "Release it",
        Release,
        ("examined_by", "found"),
        service.release,
    ),
    "inspection": Deed(
        "Record an examination",
        "One that is not passed puts it in quarantine.",
        "Record it",
        Inspection,
        ("on", "examined_by", "passed", "found"),
        service.inspect,
    ),
    "retirement": Deed(
        "Retire",
        "For good. It is never offered again; its history stays.",
        "Retire it",
        Retirement,
        ("reason",),
        service.retire,
    ),
}


def deed_named(name: str) -> Deed:
    """What is to be done. Raises NotFound when nothing is called that."""
    if name not in DEEDS:
        raise NotFound("There is no such page. Go back to the thing and choose what to do.")
    return DEEDS[name]
