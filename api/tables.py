"""Every room's tables, so that ``metadata`` is complete when tables are compared or made."""

from __future__ import annotations

import importlib
import pkgutil

import api
from api.db import metadata


def import_all() -> list[str]:
    """Import the ``models`` module of every room. Returns their names; ``metadata`` then knows all tables."""
    rooms = [found.name for found in pkgutil.iter_modules(api.__path__, "api.") if found.ispkg]
    modules = [
        found.name
        for room in rooms
        for found in pkgutil.iter_modules(importlib.import_module(room).__path__, f"{room}.")
        if found.name.endswith(".models")
    ]
    for name in modules:
        importlib.import_module(name)
    return modules


__all__ = ["import_all", "metadata"]
