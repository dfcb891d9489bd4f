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
from api.conditions.series import Ints
from api.conditions.sources.covjson import Told, read
from api.conditions.sources.grib_periods import Period, arranged, in_turn


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
    assert np.diff(forecast.times_epoch_s).tolist() == [3 * 3600] * 2
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
    assert index.values.tolist() == [[7.0] * 3, [8.0] * 3]


def hours(bounds: Ints | None, forecast: Forecast) -> list[list[float]]:
    assert bounds is not None
    found: list[list[float]] = ((bounds - forecast.times_epoch_s[0]) / 3600).tolist()
    return found


def test_precipitation_since_the_start_becomes_what_fell_in_each_step(forecast: Forecast) -> None:
    """1 and 2 mm an hour: 3 and 6 mm after three hours, as much again after six (ecCodes: tp, accum)."""
    series = forecast.series[cf.PRECIPITATION]
    assert series.cell == "sum"
    assert hours(series.bounds_epoch_s, forecast)[1:] == [[0, 3], [3, 6]]
    assert np.isnan(series.values[:, 0]).all()
    assert series.values[:, 1:] == pytest.approx(np.array([[3.0, 3.0], [6.0, 6.0]]), abs=0.01)


def test_new_snow_and_gusts_keep_their_own_periods(forecast: Forecast) -> None:
    snow, gust = forecast.series[cf.NEW_SNOW], forecast.series[cf.GUST]
    assert (snow.cell, gust.cell) == ("sum", "max")
    assert (
        hours(snow.bounds_epoch_s, forecast)[1:]
        == hours(gust.bounds_epoch_s, forecast)[1:]
        == [[0, 3], [3, 6]]
    )
    assert snow.values[:, 1:] == pytest.approx(0.02, abs=1e-4)
    assert gust.values[:, 1:] == pytest.approx(np.array([[18.0, 21.0]] * 2), abs=0.01)
    assert gust.above_ground_m == 10.0, "near the model's ground: not the wind at an elevation"


H = 3600


class TestPeriods:
    """The ways in which centres write sums (forecast.md 5.2; no published worked example)."""

    def steps(
        self, *written: tuple[int, int, float], sums: bool = True
    ) -> tuple[list[tuple[float, ...]], int]:
        kept, left_out = in_turn([Period(a * H, b * H, value) for a, b, value in written], sums=sums)
        return [(p.start / H, p.end / H, round(p.value, 6)) for p in kept.values()], left_out

    def test_since_the_start_of_the_run(self) -> None:
        assert self.steps((0, 3, 1.0), (0, 6, 4.0), (0, 12, 5.0)) == ([(0, 3, 1), (3, 6, 3), (6, 12, 1)], 0)

    def test_each_step_alone(self) -> None:
        assert self.steps((3, 6, 3.0), (0, 3, 1.0)) == ([(0, 3, 1), (3, 6, 3)], 0)

    def test_since_the_last_six_hours(self) -> None:
        written = [(0, 3, 1.0), (0, 6, 4.0), (6, 9, 2.0), (6, 12, 2.5)]
        assert self.steps(*written) == ([(0, 3, 1), (3, 6, 3), (6, 9, 2), (9, 12, 0.5)], 0)

    def test_both_beside_each_other_count_once(self) -> None:
        written = [(0, 6, 4.0), (0, 12, 6.5), (6, 12, 2.5)]
        assert self.steps(*written) == ([(0, 6, 4), (6, 12, 2.5)], 0)

    def test_a_missing_step_makes_a_longer_one_and_no_loss(self) -> None:
        assert self.steps((0, 3, 1.0), (0, 6, np.nan), (0, 9, 5.0)) == ([(0, 3, 1), (3, 9, 4)], 0)

    def test_rounding_is_no_negative_rain_and_a_falling_sum_is_left_out(self) -> None:
        assert self.steps((0, 3, 1.0), (0, 6, 0.98)) == ([(0, 3, 1), (3, 6, 0)], 0)
        assert self.steps((0, 3, 1.0), (0, 6, 0.5)) == ([(0, 3, 1)], 1)

    def test_what_overlaps_is_not_counted_twice(self) -> None:
        assert self.steps((0, 6, 4.0), (3, 9, 5.0)) == ([(0, 6, 4)], 1)
        assert self.steps((0, 6, 20.0), (3, 9, 25.0), sums=False) == ([(0, 6, 20)], 1)

    def test_a_member_with_another_period_has_no_value_there(self) -> None:
        there = [Period(0, 3 * H, 1.0), Period(0, 6 * H, 4.0)]
        found = arranged({"0": there, "1": there, "2": there[1:]}, ["0", "1", "2"], [3 * H, 6 * H], sums=True)
        assert found.bounds.tolist() == [[0, 3 * H], [3 * H, 6 * H]]
        assert found.values[:2].tolist() == [[1.0, 3.0]] * 2
        assert np.isnan(found.values[2]).all()
        assert found.left_out == 1


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
