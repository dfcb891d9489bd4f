"""Fixtures of the call."""

from pathlib import Path

import pytest

from api.db import Database
from tests.call.calling import Expedition


@pytest.fixture
def trip(database: Database, tmp_path: Path) -> Expedition:
    """The demo at its first moment: laid out, nothing fixed, at base."""
    return Expedition(database, tmp_path / "data")
