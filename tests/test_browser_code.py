"""The browser code is what was looked at, and nothing fetched is committed."""

from __future__ import annotations

import hashlib
import json
import subprocess
from pathlib import Path

import pytest

from scripts.browser_code import FILES, ROOT, Fetched, Mismatch, check


@pytest.mark.parametrize("file", FILES, ids=lambda file: file.target.name)
class TestFiles:
    def test_what_pages_load_is_what_was_chosen(self, file: Fetched) -> None:
        assert hashlib.sha256(file.target.read_bytes()).hexdigest() == file.sha256

    def test_another_file_is_refused_with_a_remedy(self, file: Fetched) -> None:
        check(file, file.source.read_bytes())
        with pytest.raises(Mismatch, match=r"Remove\s+node_modules and run again"):
            check(file, file.source.read_bytes() + b" ")


def test_versions_are_pinned_and_the_lock_names_no_address() -> None:
    package = json.loads((ROOT / "package.json").read_text())
    lock = json.loads((ROOT / "package-lock.json").read_text())
    for name, wanted in (package["dependencies"] | package["devDependencies"]).items():
        assert lock["packages"][f"node_modules/{name}"]["version"] == wanted
        assert lock["packages"][f"node_modules/{name}"]["integrity"].startswith("sha512-")
    assert "resolved" not in (ROOT / "package-lock.json").read_text()


def test_constraints_pin_every_line_and_name_no_address() -> None:
    lines = (ROOT / "constraints.txt").read_text().splitlines()
    assert lines
    for line in lines:
        name, version = line.split("==")
        assert name
        assert version[0].isdigit()


def test_nothing_fetched_is_committed() -> None:
    if not (ROOT / ".git").exists():
        pytest.fail("This test looks at what git keeps: run it in a clone.")
    kept = subprocess.run(["git", "ls-files"], cwd=ROOT, check=True, capture_output=True, text=True).stdout
    fetched = [
        name for name in kept.splitlines() if {"node_modules", "vendor", ".venv"} & set(Path(name).parts)
    ]
    assert fetched == []
