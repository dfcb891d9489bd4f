"""The documentation shows the table as it is."""

from __future__ import annotations

from pathlib import Path

import pytest

from api.access.limits import LIMITS
from api.access.permissions import access_table, entry_table
from api.access.writing import limits_table, written

ROOT = Path(__file__).resolve().parents[2]

pytestmark = pytest.mark.one_database


def test_the_documented_tables_are_those_of_the_code() -> None:
    file = ROOT / "docs" / "access.md"
    assert file.read_text() == written(file.read_text()), "run: python -m api.access.writing"
    shown = file.read_text()
    for part in (access_table(), entry_table(), limits_table()):
        assert part in shown
    assert all(rate.says in shown for rate in LIMITS.values())


def test_the_security_record_covers_every_chapter() -> None:
    """OWASP ASVS 5.0 has seventeen chapters, V1 to V17."""
    shown = (ROOT / "docs" / "asvs.md").read_text()
    assert [f"## V{chapter} " in shown for chapter in range(1, 18)] == [True] * 17
