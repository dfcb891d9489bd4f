"""`rimaye call` on a database with a call."""

from pathlib import Path

import pytest
from typer.testing import CliRunner

from api.call.cli import app
from api.settings import Settings
from tests.call.calling import TRIP, Expedition

pytestmark = pytest.mark.one_database


@pytest.fixture
def installed(trip: Expedition, settings: Settings, monkeypatch: pytest.MonkeyPatch) -> Expedition:
    """The demo with one call, as the commands find it."""
    trip.call("wait", reason="for the office")
    monkeypatch.setattr("api.call.cli.get_settings", lambda: settings)
    return trip


def run(*arguments: str) -> tuple[int, str]:
    result = CliRunner().invoke(app, list(arguments))
    return result.exit_code, result.output


def test_a_record_is_taken_out_and_checked(installed: Expedition, tmp_path: Path) -> None:
    file = tmp_path / "call.json"
    assert run("export", TRIP, str(installed.last_call().entry), str(file))[0] == 0
    code, said = run("verify", str(file))
    assert code == 0, said
    assert "Evaluated again it comes out the same." in said
    code, said = run("public-key")
    assert code == 0
    public = said.split()[2]
    code, said = run("verify", str(file), "--public-key", public)
    assert code == 0, said
    assert "The journal is not at hand" in said
    code, said = run("verify", str(file), "--public-key", "00" * 32)
    assert code == 1
    assert "public_key: key" in said


def test_a_changed_record_fails_and_says_where(installed: Expedition, tmp_path: Path) -> None:
    file = tmp_path / "call.json"
    file.write_bytes(installed.sealed().replace(b"for the office", b"for the Office"))
    code, said = run("verify", str(file), "--alone")
    assert code == 1
    assert "record.decision: this part is not as it was sealed." in said


def test_nothing_waits_for_a_countersignature(installed: Expedition) -> None:
    assert run("countersign", TRIP) == (0, f"{TRIP}: 0 countersigned\n")
    code, said = run("countersign", "no-such-trip")
    assert code == 1
    assert "There is no trip no-such-trip" in said
