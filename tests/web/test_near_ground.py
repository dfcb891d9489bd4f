"""Air and wind near a model's ground are shown with the forecast, and are used for no stage."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from api.conditions import variables as cf
from api.conditions.evaluate import evaluate
from api.conditions.forecast import Forecast, Point
from api.conditions.series import Series
from tests.conditions.building import TWO_DAYS, ensemble
from web import words
from web.pages.forecast_figures import Figures
from web.pages.mountain_view import notes


def near_ground(surface_m: float | None = 2100.0) -> Forecast:
    """-2 °C and 10 m/s at every hour near a model's ground, and nothing above it. Invented."""
    kept = ensemble(1, kind="deterministic", names=["run"])
    shape = (1, kept.times_epoch_s.size)
    series = {
        cf.TEMPERATURE: Series(cf.TEMPERATURE, np.full(shape, 271.15), above_ground_m=2.0),
        cf.WIND: Series(cf.WIND, np.full(shape, 10.0), above_ground_m=10.0),
    }
    point = Point(45.9, 7.9, surface_m)
    return replace(kept, series=series, levels=np.array([]), level_kind=None, source_point=point)


def test_they_are_shown_with_the_elevation_of_that_ground() -> None:
    figures = Figures(near_ground())
    assert figures.has_near_ground
    assert figures.ground_m == 2100.0
    air, wind, gust = figures.near_ground(0)
    assert air == {"best": pytest.approx(-2.0)}
    assert (wind, gust) == (10.0, None)
    assert figures.winds(0) == figures.temperatures(0) == []


def test_no_stage_takes_them_for_the_air_at_its_elevation() -> None:
    conditions = evaluate(TWO_DAYS, near_ground())
    for name in ("air_temperature_c", "wind_mps", "wind_chill_c", "freezing_level_m"):
        assert np.isnan(conditions.low[name]).all(), name
        assert not conditions.complete[name].any(), name


def test_a_forecast_of_levels_has_none() -> None:
    figures = Figures(ensemble(1, kind="deterministic", names=["run"]))
    assert not figures.has_near_ground
    assert figures.near_ground(0) == ({}, None, None)


def test_the_mountain_page_says_so_where_it_counts() -> None:
    say = words.Say()
    for forecast, said in ((near_ground(), True), (ensemble(1, kind="deterministic", names=["run"]), False)):
        found = dict(notes(TWO_DAYS, evaluate(TWO_DAYS, forecast), forecast, say))
        assert ("Near the ground" in found) is said
