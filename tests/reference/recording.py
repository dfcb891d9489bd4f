"""A pytest plugin that writes down which reference values running tests read, for ``test_every_value.py``."""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.reference import values

INTO = "REFERENCE_VALUES_READ"

_read: set[str] = set()
_tables: set[str] = set()
_running = False


def _reads(one: object, name: str) -> Any:
    if _running and name == "value":
        _read.add(object.__getattribute__(one, "id"))
    return object.__getattribute__(one, name)


_table = values.table


def _handed_out(name: str) -> Any:
    _tables.add(name)
    return _table(name)


values.Check.__getattribute__ = _reads  # type: ignore[method-assign]
values.table = _handed_out


@pytest.hookimpl(hookwrapper=True)
def pytest_runtest_call() -> Iterator[None]:
    """What is read while tests are collected is not compared with anything."""
    global _running
    _running = True
    yield
    _running = False


def pytest_sessionfinish() -> None:
    """Hand what was read to whoever asked."""
    Path(os.environ[INTO]).write_text(json.dumps({"values": sorted(_read), "tables": sorted(_tables)}))
