"""GRIB2 on the command line. The file is made by ecCodes, which is also what resolves the WMO keys."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from api.cli import app
from api.conditions import variables as cf
from api.conditions.forecast import Forecast, Point
from api.conditions.rules import derived_freezing_level
from api.conditions.sources.covjson import Told, read


@pytest.fixture(scope="module")
def grib(tmp_path_factory: pytest.TempPathFactory) -> Path:
    file = tmp_path_factory.mktemp("grib") / "run.grib2"
    command = [sys.executable, "-m", "tests.conditions.sources.grib_maker", str(file)]
    subprocess.run(command, check=True)
    return file


@pytest.fixture(scope="module")
def forecast(grib: Path) -> Forecast:
    ran = CliRunner().invoke(app, ["forecast", "grib", str(grib), "--lat", "45.94", "--lon", "7.86"])
    assert ran.exit_code == 0, ran.output
    return read(ran.output.encode(), Told(Point(0.0, 0.0), "x"))


def test_members_times_and_levels(forecast: Forecast) -> None:
    assert forecast.kind == "ensemble"
    assert forecast.members == ("0", "1")
    assert np.diff(forecast.times_epoch_s).tolist() == [3 * 3600]
    assert forecast.levels.tolist() == [85_000.0, 70_000.0, 60_000.0, 50_000.0]
    assert forecast.provenance.issued_at.isoformat() == "2026-07-04T00:00:00+00:00"
    assert forecast.source_point == Point(45.95, 7.75)


def test_wind_follows_from_its_components(forecast: Forecast) -> None:
    """6 m/s to the east and 8 m/s to the south are 10 m/s from the north-west (a 3-4-5 triangle)."""
    assert forecast.series[cf.WIND].values == pytest.approx(10.0, abs=1e-3)
    assert forecast.series[cf.WIND_DIRECTION].values == pytest.approx(323.13, abs=0.01)


def test_the_height_of_zero_is_above_the_sea_and_agrees_with_the_profile(forecast: Forecast) -> None:
    level = forecast.series[cf.FREEZING_LEVEL]
    assert level.datum == "geoid"
    assert level.values[:, 0] == pytest.approx([3400.0, 3500.0], abs=0.1)
    derived = derived_freezing_level(forecast)
    assert derived is not None
    assert derived.values[:, 0] == pytest.approx([3400.0, 3500.0], abs=0.5)


def test_the_uv_index_has_one_value_a_place_and_time(forecast: Forecast) -> None:
    index = forecast.series[cf.UV]
    assert not index.by_level
    assert index.values.tolist() == [[7.0, 7.0], [8.0, 8.0]]


def test_what_was_not_read_is_said(forecast: Forecast) -> None:
    assert any("Not read" in warning for warning in forecast.provenance.warnings)


def test_what_is_no_grib_is_said(tmp_path: Path) -> None:
    file = tmp_path / "x.grib2"
    file.write_bytes(b"no such thing")
    for name in (file, tmp_path / "missing"):
        ran = CliRunner().invoke(app, ["forecast", "grib", str(name), "--lat", "0", "--lon", "0"])
        assert ran.exit_code == 1
        assert "Traceback" not in ran.output


def test_the_service_does_not_load_the_library() -> None:
    program = "import sys, api.main; sys.exit('eccodes' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", program], check=False).returncode == 0
