"""What is wrong with a page: against the HTML standard, and for people who use it differently."""

from __future__ import annotations

import json
import subprocess
import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest

from scripts.test_tools import java

ROOT = Path(__file__).resolve().parent.parent.parent
CHECKER = ROOT / "node_modules" / "vnu-jar" / "build" / "dist" / "vnu.jar"


def html_errors(pages: Mapping[str, str]) -> list[str]:
    """What the standard's checker says of whole pages, by name. One run takes about two seconds."""
    program = java()
    if program is None or not CHECKER.exists():
        pytest.fail("The HTML checker is not here. Run `make test`, which installs it and its Java.")
    with tempfile.TemporaryDirectory() as folder:
        files = []
        for name, page in pages.items():
            file = Path(folder) / f"{name}.html"
            file.write_text(page, encoding="utf-8")
            files.append(str(file))
        command = [
            program,
            "-jar",
            str(CHECKER),
            "--format",
            "json",
            "--stdout",
            "--exit-zero-always",
            *files,
        ]
        ran = subprocess.run(command, check=True, capture_output=True, text=True)
    messages = json.loads(ran.stdout)["messages"]
    return [
        f"{Path(message.get('url', '')).stem}:{message.get('lastLine', '?')} {message['message']}"
        for message in messages
        if message["type"] == "error" or message.get("subType") == "warning"
    ]


def axe_violations(page: Any) -> list[str]:
    """What axe finds on the page that the browser shows, one line a rule with the elements at fault."""
    from axe_playwright_python.sync_playwright import Axe

    # Every rule is tried; only what passes is not told element by element, which takes longer than trying.
    found = Axe().run(page, options={"resultTypes": ["violations"]}).response["violations"]
    return [
        f"{rule['id']} ({rule['impact']}): {', '.join(node['html'][:80] for node in rule['nodes'])}"
        for rule in found
    ]
