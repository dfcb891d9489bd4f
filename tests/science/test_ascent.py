"""The 2024 risk table cell by cell, and gains and rest nights on plans with known answers."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from api.science.ascent import History, Risk, rest_nights, sleeping_gains, wms_risk_2024
from tests.reference.values import table

WMS = table("wms_risk_2024")
SOURCE = "Luks et al., Wilderness Environ Med 35(1S) (2024) 2S-19S"


@pytest.mark.parametrize(
    ("history", "risk"),
    [
        (History.NONE, Risk.LOW),
        (History.MILD_AMS, Risk.LOW),
        (History.MODERATE_SEVERE_AMS, Risk.MODERATE),
        (History.HAPE_OR_HACE, Risk.HIGH),
    ],
)
def test_history_row(history: History, risk: Risk) -> None:
    """`SOURCE`, row 1; the other two criteria in their low column, so history decides."""
    got = wms_risk_2024(history, 2500.0, 400.0, True)
    assert got.category is risk, SOURCE
    assert "history" in got.decided_by
    printed = {"low": "none or mild AMS", "moderate": "moderate-severe AMS", "high": "HAPE or HACE"}
    assert {column: WMS[column]["history"] for column in printed} == printed


@pytest.mark.parametrize(
    ("height", "risk"),
    [(2799.9, Risk.LOW), (2800.0, Risk.MODERATE), (3500.0, Risk.MODERATE), (3500.1, Risk.HIGH)],
)
def test_first_sleeping_height_row_at_its_edges(height: float, risk: Risk) -> None:
    """<2800, 2800-3500, >3500 m."""
    got = wms_risk_2024(History.NONE, height, 400.0, True)
    assert got.category is risk, SOURCE
    assert risk is Risk.LOW or got.decided_by == ("first sleeping height",)
    assert [WMS[c]["sleep_day1_m"] for c in ("low", "moderate", "high")] == ["<2800", "2800-3500", ">3500"]


@pytest.mark.parametrize(
    ("rate", "extra", "risk"),
    [
        (400.0, True, Risk.LOW),
        (501.0, True, Risk.MODERATE),
        (500.0, False, Risk.HIGH),
        (700.0, False, Risk.HIGH),
        (0.0, False, Risk.LOW),
    ],
)
def test_ascent_rate_row(rate: float, extra: bool, risk: Risk) -> None:
    got = wms_risk_2024(History.NONE, 2500.0, rate, extra)
    assert got.category is risk, SOURCE
    assert risk is Risk.LOW or got.decided_by == ("ascent rate",)


def test_500_m_a_day_is_printed_in_two_columns_and_taken_as_the_cautious_one() -> None:
    """Low says "<=500 m/d", moderate says ">=500 m/d"."""
    assert WMS["low"]["rate"].startswith("<=500")
    assert WMS["moderate"]["rate"].startswith(">=500")
    got = wms_risk_2024(History.NONE, 2500.0, 500.0, True)
    (rate,) = [c for c in got.criteria if c.name == "ascent rate"]
    assert rate.columns == (Risk.LOW, Risk.MODERATE)
    assert (got.category, got.decided_by) == (Risk.MODERATE, ("ascent rate",))


def test_slow_without_extra_days_is_printed_nowhere_and_taken_as_moderate() -> None:
    got = wms_risk_2024(History.NONE, 2500.0, 300.0, False)
    assert (got.category, got.criteria[2].columns) == (Risk.MODERATE, ())


def test_unknown_history_is_never_low() -> None:
    got = wms_risk_2024(None, 2500.0, 300.0, True)
    assert (got.category, got.at_least, got.unknown) == (None, Risk.LOW, ("history",))


def test_what_is_already_high_stays_high_whatever_is_unknown() -> None:
    got = wms_risk_2024(None, 3600.0, None, None)
    assert (got.category, got.decided_by) == (Risk.HIGH, ("first sleeping height",))


@pytest.mark.parametrize(
    ("rate", "extra", "at_least", "category"),
    [(600.0, None, Risk.MODERATE, None), (300.0, None, Risk.LOW, None), (None, True, Risk.LOW, None)],
)
def test_half_known_ascent_rates(
    rate: float | None, extra: bool | None, at_least: Risk, category: Risk | None
) -> None:
    got = wms_risk_2024(History.NONE, 2500.0, rate, extra)
    assert (got.at_least, got.category, got.unknown) == (at_least, category, ("ascent rate",))


def test_filling_in_an_unknown_never_leaves_the_bounds_given_before() -> None:
    """Property over every combination: what is later known lies between `at_least` and the highest
    possible."""
    histories, heights, rates, extras = (
        list(History),
        [2500.0, 3000.0, 4000.0],
        [0.0, 400.0, 500.0, 600.0],
        [True, False],
    )
    for full in itertools.product(histories, heights, rates, extras):
        known = wms_risk_2024(*full)
        assert known.category is not None
        for hidden in itertools.product([True, False], repeat=4):
            partly = wms_risk_2024(
                *(None if hide else value for hide, value in zip(hidden, full, strict=True))
            )
            assert (partly.at_least or 0) <= known.category
            assert partly.category in (None, known.category)


def test_the_table_is_for_climbs_that_start_low() -> None:
    assert wms_risk_2024(History.NONE, 2500.0, 400.0, True, start_m=1199.0).fits_table is True
    assert wms_risk_2024(History.NONE, 2500.0, 400.0, True, start_m=1200.0).fits_table is False
    assert wms_risk_2024(History.NONE, 2500.0, 400.0, True).fits_table is None


def test_bad_numbers_are_refused_by_name() -> None:
    with pytest.raises(ValueError, match="first_sleep_m is nan"):
        wms_risk_2024(History.NONE, np.nan, 400.0, True)
    with pytest.raises(ValueError, match="gain_m_per_day is -1"):
        wms_risk_2024(History.NONE, 2500.0, -1.0, True)


def test_a_night_820_m_above_the_last_is_320_m_over_the_guideline() -> None:
    """At most 500 m a night above 3000 m: WMS 2019/2024 text (from memory), Therapeutic Guidelines."""
    gain = sleeping_gains([2600.0, 3330.0, 4150.0])[1]
    assert (gain.night, gain.gain_m, gain.above_limit, gain.excess_m) == (2, 820.0, True, 320.0)


@pytest.mark.parametrize(
    ("nights", "above"),
    [
        ([3200.0, 3700.0], False),
        ([3200.0, 3700.1], True),
        ([1500.0, 3000.0], False),
        ([2400.0, 3001.0], True),
        ([3600.0, 3300.0], False),
        ([3200.0, None], None),
        ([None, 3700.0], None),
        ([None, 2900.0], False),
        ([float("nan"), 3700.0], None),
    ],
)
def test_gain_at_its_edges(nights: list[float | None], above: bool | None) -> None:
    assert sleeping_gains(nights)[-1].above_limit is above


def test_across_a_gap_only_what_is_certain_is_said() -> None:
    certain = sleeping_gains([3000.0, None, 4001.0])[-1]
    assert (certain.over, certain.gain_m, certain.above_limit, certain.excess_m) == (2, 1001.0, True, 1.0)
    open_question = sleeping_gains([3000.0, None, 3900.0])[-1]
    assert (open_question.gain_m, open_question.above_limit, open_question.excess_m) == (900.0, None, None)
    assert sleeping_gains([]) == sleeping_gains([3000.0]) == []


def test_the_stricter_published_limit_can_be_asked_for() -> None:
    """MEDEX, Travel at High Altitude: at most 300 m a night above 3000 m."""
    assert sleeping_gains([3200.0, 3600.0], limit_m=300.0)[0].excess_m == 100.0


def test_rest_after_four_climbing_nights_or_1000_m() -> None:
    """A rest every 3 to 4 days (WMS, from memory) and an extra day each 1000 m (Therapeutic
    Guidelines)."""
    slow = rest_nights([3000.0, 3200.0, 3400.0, 3600.0, 3800.0, 3950.0])
    assert [c.nights_since for c in slow] == [1, 2, 3, 4, 5]
    assert [c.overdue for c in slow] == [False, False, False, False, True]
    fast = rest_nights([3000.0, 3500.0, 4000.0, 4001.0])
    assert [c.gained_m for c in fast] == [500.0, 1000.0, 1001.0]
    assert [c.overdue for c in fast] == [False, False, True]


def test_a_rest_night_starts_the_count_again() -> None:
    checks = rest_nights([3000.0, 3500.0, 4000.0, 4000.0, 4400.0])
    assert [c.is_rest for c in checks] == [False, False, True, False]
    assert (checks[-1].nights_since, checks[-1].gained_m, checks[-1].overdue) == (1, 400.0, False)
    assert rest_nights([4200.0, 4000.0])[0].is_rest is True


def test_nights_low_down_do_not_count() -> None:
    checks = rest_nights([500.0, 1200.0, 2100.0, 2600.0, 2900.0, 3400.0])
    assert not any(c.overdue for c in checks)
    assert (checks[-1].nights_since, checks[-1].gained_m) == (1, 400.0)


def test_an_unknown_night_may_have_been_the_rest() -> None:
    checks = rest_nights([3000.0, 3500.0, None, 4300.0])
    assert [c.overdue for c in checks] == [False, None, None]
    assert [c.is_rest for c in checks] == [False, None, None]
    still_fine = rest_nights([3000.0, 3200.0, None, 3400.0])
    assert still_fine[-1].overdue is False


def test_nothing_is_known_from_unknown_nights() -> None:
    assert [c.overdue for c in rest_nights([None, None, 4000.0])] == [None, None]
    assert rest_nights([]) == []
