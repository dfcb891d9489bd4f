"""The files of the deployment fit together: services, volumes, settings and the proxy's upstreams.

`python -m tests.fault.two_processes --proxy` runs the proxy's file for real.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest
import yaml

from api.settings import Settings, environment_name
from tests.fault.nginx import CONFIG, _at_home
from tests.fault.processes import ROOT

COMPOSE = (ROOT / "docker-compose.yml", ROOT / "deploy" / "compose.two-processes.yml")
KNOWN = {environment_name(name) for name in Settings.model_fields}


def read(file: Path) -> dict[str, Any]:
    found: dict[str, Any] = yaml.safe_load(file.read_text(encoding="utf-8"))
    return found


@pytest.mark.parametrize("file", COMPOSE, ids=lambda file: file.name)
def test_services_name_only_what_there_is(file: Path) -> None:
    compose = read(file)
    for name, service in compose["services"].items():
        assert ("image" in service) != ("build" in service), name
        if "build" in service:
            assert (file.parent / service["build"] / "Dockerfile").is_file()
        for other, how in service.get("depends_on", {}).items():
            condition = how["condition"]
            there = compose["services"][other]
            if condition == "service_healthy":
                assert "healthcheck" in there or "build" in there, f"{name} waits for {other} in vain"
            else:
                assert condition == "service_completed_successfully"
                assert there["restart"] == "no", "it has to end"
        for volume in service.get("volumes", ()):
            source = volume.rpartition(":/")[0].removesuffix(":ro").partition(":/")[0]
            if source.startswith("./"):
                assert (file.parent / source).is_file(), volume
            elif not source.startswith("$"):
                assert source in compose["volumes"], volume
        mentioned = {key for key in service.get("environment", {}) if key.startswith("RIMAYE_")}
        assert mentioned <= KNOWN


def test_both_processes_are_behind_the_proxy_and_nothing_else_is_reached_from_outside() -> None:
    compose = read(COMPOSE[1])
    upstreams = set(re.findall(r"^\s+server (\S+?):8017", CONFIG.read_text(encoding="utf-8"), re.M))
    boards = {name for name in compose["services"] if name.startswith("board-")}
    assert upstreams == boards == {"board-1", "board-2"}
    published = {name for name, service in compose["services"].items() if "ports" in service}
    assert published == {"proxy"}
    one, other = (compose["services"][name] for name in sorted(boards))
    assert one["volumes"] == other["volumes"], "the signing keys are files that both need"
    for each in (one, other):
        assert each["environment"]["RIMAYE_HEALTH_KEY"]


def test_one_process_alone_is_published_on_loopback_only() -> None:
    compose = read(COMPOSE[0])
    ports = [port for service in compose["services"].values() for port in service.get("ports", ())]
    assert ports == ["127.0.0.1:8017:8017"]


def test_the_proxy_holds_no_stream_back_and_repeats_no_write(tmp_path: Path) -> None:
    config = _at_home(CONFIG.read_text(encoding="utf-8"), tmp_path, 8443, (8018, 8019))
    assert "board-" not in config
    assert "proxy_buffering off;" in config
    assert "non_idempotent" not in config, "a write would be sent twice"
    # Debian's nginx does not know `http2 on`.
    assert re.search(r"^\s*http2\s", config, re.M) is None
