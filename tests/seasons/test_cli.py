"""`rimaye seasons` on the command line."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from typer.testing import CliRunner

from api.cli import app
from api.settings import get_settings
from tests.seasons.conftest import OUTFIT, TRIPS_A_SEASON


@pytest.fixture(autouse=True)
def _installation(sqlite_url: str, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    monkeypatch.setenv("RIMAYE_DATABASE_URL", sqlite_url)
    get_settings.cache_clear()
    yield
    get_settings.cache_clear()


def run(*arguments: str) -> tuple[int, str]:
    result = CliRunner().invoke(app, ["seasons", *arguments])
    return result.exit_code, result.output


def test_rebuilding_takes_all_up_and_updating_then_none() -> None:
    # By the machine's clock the demo's own trip is past, too.
    code, told = run("rebuild", "--outfit", OUTFIT)
    assert code == 0
    taken = int(told.split(": ")[1].split()[0])
    assert taken >= 2 * TRIPS_A_SEASON
    assert run("update") == (0, f"{OUTFIT}: 0 trips taken up.\n")


def test_an_unknown_outfit_is_named_with_those_there_are() -> None:
    code, told = run("update", "--outfit", "nobody")
    assert code == 1
    assert "Use one of: quillstone" in told
