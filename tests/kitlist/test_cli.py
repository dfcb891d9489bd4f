"""`rimaye kitlist` in files and exit codes."""

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from api.kitlist.cli import app
from api.kitlist.loading import shipped
from api.kitlist.writing import to_yaml
from tests.kitlist.building import a_requirement, built


@pytest.fixture
def run() -> CliRunner:
    return CliRunner()


@pytest.fixture
def small(tmp_path: Path) -> Path:
    file = tmp_path / "small.yaml"
    file.write_text(to_yaml(built()), encoding="utf-8")
    return file


def test_check_of_a_good_file(run: CliRunner) -> None:
    done = run.invoke(app, ["check", str(shipped()["glaciated-peak"])])

    assert done.exit_code == 0
    assert "fit for use, 117 requirements" in done.output


def test_check_names_file_line_and_column(run: CliRunner, small: Path, tmp_path: Path) -> None:
    bad = tmp_path / "bad.yaml"
    bad.write_text(
        small.read_text(encoding="utf-8").replace("zone: kitchen-water", "zone: kitchen"), encoding="utf-8"
    )
    line = next(n for n, row in enumerate(bad.read_text().splitlines(), 1) if "zone:" in row)

    done = run.invoke(app, ["check", str(small), str(bad), str(tmp_path / "none.yaml")])

    assert done.exit_code == 1
    rows = done.output.splitlines()
    assert rows[0] == f"{small}: fit for use, 1 requirements"
    assert rows[1].startswith(f"{bad}:{line}:11 requirements[mug].zone: ")
    assert "(kitchen) - Did you mean kitchen-water?" in rows[1]
    assert "cannot be read" in rows[2]


def test_schema_is_json(run: CliRunner) -> None:
    assert json.loads(run.invoke(app, ["schema"]).output)["title"] == "Edition"


def test_show_of_a_zone(run: CliRunner) -> None:
    done = run.invoke(app, ["show", "glaciated-peak", "--zone", "hands"])

    assert done.exit_code == 0
    assert "(backup-mitts): 1 a person" in done.output
    assert "freezing level below the dry mitts line" in done.output
    assert "(boots)" not in done.output


def test_diff_tells_and_ends_with_one(run: CliRunner, small: Path, tmp_path: Path) -> None:
    other = tmp_path / "other.yaml"
    other.write_text(to_yaml(built(a_requirement(item="Cup"))), encoding="utf-8")

    assert run.invoke(app, ["diff", str(small), str(small)]).output == "No difference.\n"
    done = run.invoke(app, ["diff", str(small), str(other)])
    assert done.exit_code == 1
    assert "  item: Mug → Cup" in done.output


def test_file_that_is_not_there(run: CliRunner, small: Path, tmp_path: Path) -> None:
    done = run.invoke(app, ["diff", str(small), str(tmp_path / "none.yaml")])

    assert done.exit_code == 2
    assert "Check the name" in done.output
