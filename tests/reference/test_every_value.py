"""Every reference value of the weather's models is read by a test that runs, and that test passes."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.reference import values
from tests.reference.recording import INTO

TESTS = Path(__file__).parents[1]
TOPICS = ("wind_chill", "atmosphere", "freezing_level", "daylight", "uv")
TABLES = {
    "nws_wind_chill_chart_F",
    "ec_wind_chill_chart_C",
    "ec_frostbite_bands",
    "nws_frostbite_zones",
    "frostnip_experiment",
    "isa_0_9000",
    "soundings",
    "sun_events",
    "uvi_categories",
    "sunglass_filters",
}
MODELS = ("cold", "atmosphere", "profile", "sun", "uv", "altitude")
"""The tests of the models that these values concern."""


@pytest.fixture(scope="module")
def read(tmp_path_factory: pytest.TempPathFactory) -> dict[str, set[str]]:
    into = tmp_path_factory.mktemp("reference") / "read.json"
    files = [str(TESTS / "science" / f"test_{model}.py") for model in MODELS]
    run = subprocess.run(
        [
            *(sys.executable, "-m", "pytest", "-q", "-p", "tests.reference.recording"),
            *("-p", "no:cacheprovider", "-p", "no:randomly", *files),
        ],
        cwd=TESTS.parent,
        env={**os.environ, INTO: str(into)},
        capture_output=True,
        text=True,
    )
    assert run.returncode == 0, run.stdout[-4000:]
    return {name: set(found) for name, found in json.loads(into.read_text(encoding="utf-8")).items()}


@pytest.mark.parametrize("topic", TOPICS)
def test_each_value_is_compared_in_a_test(topic: str, read: dict[str, set[str]]) -> None:
    assert {one.id for one in values.checks(topic)} - read["values"] == set()


def test_each_table_is_used_in_a_test(read: dict[str, set[str]]) -> None:
    assert TABLES - read["tables"] == set()
