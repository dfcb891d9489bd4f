"""Sleeping-bag labels by ISO 23537-1: their order, their margin, and when they say nothing."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from api.science.sleep import BagLabel, LabelState, bag_margin, planning_minimum_c, read_label
from tests.reference import values


def test_order_and_the_published_example() -> None:
    """upper > comfort > limit > extreme; one bag's label as a shop quotes it: -8, -15, -36 °C."""
    table = values.table("sleeping_bag")
    assert table["ordering"] == "upper > comfort > limit > extreme"
    reading = read_label(BagLabel(-8, -15, -36, upper_c=10))
    assert reading.state is LabelState.JUDGED
    assert (reading.comfort_c, reading.limit_c) == (-8.0, -15.0)
    assert not reading.beyond_standard


@pytest.mark.parametrize(
    "label",
    [
        BagLabel(-15, -8),
        BagLabel(-8, -8),
        BagLabel(-8, -15, -10),
        BagLabel(-8, -15, -36, upper_c=-9),
        BagLabel(comfort_c=-8, extreme_c=-8),
        BagLabel(limit_c=-8, upper_c=-20),
    ],
)
def test_figures_out_of_order_are_not_judged(label: BagLabel) -> None:
    margin = bag_margin(label, -5.0)
    assert margin.reading.state is LabelState.OUT_OF_ORDER
    assert not margin.reading.can_be_judged
    assert math.isnan(margin.comfort_margin_k)
    assert math.isnan(margin.limit_margin_k)


@pytest.mark.parametrize(
    ("label", "state"),
    [
        (BagLabel(extreme_c=-25), LabelState.ONLY_EXTREME),
        (BagLabel(extreme_c=-25, upper_c=20), LabelState.ONLY_EXTREME),
        (BagLabel(upper_c=20), LabelState.NO_FIGURES),
        (BagLabel(), LabelState.NO_FIGURES),
        (BagLabel(math.nan, math.nan, math.nan), LabelState.NO_FIGURES),
    ],
)
def test_an_extreme_figure_alone_cannot_be_judged(label: BagLabel, state: LabelState) -> None:
    margin = bag_margin(label, [-5.0, 10.0])
    assert margin.reading.state is state
    assert not margin.reading.can_be_judged
    assert np.isnan(margin.comfort_margin_k).all()
    assert np.isnan(margin.limit_margin_k).all()


def test_margin_over_nights_and_scenarios() -> None:
    """Comfort +4, limit -1 °C against planning minima +0.7, -1.6 and -8.4 °C (plain arithmetic)."""
    margin = bag_margin(BagLabel(4, -1), np.array([[0.7, -1.6], [-8.4, math.nan]]))
    np.testing.assert_allclose(margin.comfort_margin_k, [[-3.3, -5.6], [-12.4, math.nan]], atol=1e-12)
    np.testing.assert_allclose(margin.limit_margin_k, [[1.7, -0.6], [-7.4, math.nan]], atol=1e-12)


def test_a_label_with_one_figure_is_judged_by_that_one() -> None:
    margin = bag_margin(BagLabel(comfort_c=-5), -2.0)
    assert margin.reading.can_be_judged
    assert float(margin.comfort_margin_k) == 3.0
    assert math.isnan(margin.limit_margin_k)


def test_expedition_bags_are_beyond_the_standard() -> None:
    """ISO 23537-1:2022 is made for limit temperatures of -20 °C and higher."""
    assert read_label(BagLabel(-20, -28)).beyond_standard
    assert not read_label(BagLabel(-13, -20)).beyond_standard


def test_planning_minimum_of_a_clear_night() -> None:
    """Forecast air temperature less 3 °C: common practice, no published source."""
    assert planning_minimum_c([-2.0, math.nan]).tolist()[0] == -5.0
    assert math.isnan(planning_minimum_c(math.nan))
    assert float(planning_minimum_c(4.0, 0.0)) == 4.0


@given(comfort=st.floats(-20, 15), below=st.floats(0.5, 10), night=st.floats(-40, 15))
def test_the_limit_margin_is_the_larger(comfort: float, below: float, night: float) -> None:
    margin = bag_margin(BagLabel(comfort, comfort - below), night)
    assert float(margin.limit_margin_k - margin.comfort_margin_k) == pytest.approx(below, abs=1e-9)
