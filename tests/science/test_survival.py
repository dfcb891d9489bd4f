"""Kaplan-Meier and log-rank against published cases, lifelines and statsmodels."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lifelines import KaplanMeierFitter
from lifelines.statistics import logrank_test
from statsmodels.duration.survfunc import SurvfuncRight

from api.science.survival import Survival, kaplan_meier, log_rank
from tests.reference import values

TREATED = np.array(values.check("km_6mp").inputs["data"])
PLACEBO = np.array(values.check("km_placebo").inputs["times"])
ENTRIES = st.lists(st.tuples(st.integers(0, 30), st.booleans()), min_size=1, max_size=60)


def assert_steps(got: Survival, expected: dict[str, float], tolerance: float) -> None:
    for time, share in expected.items():
        if time != "median":
            assert float(got.at(float(time))) == pytest.approx(share, abs=tolerance)


def test_treated_arm_of_freireich() -> None:
    """Freireich et al. 1963, data in Le's Introductory Biostatistics, Ex. 11.1; Greenwood by statsmodels."""
    case = values.check("km_6mp")
    got = kaplan_meier(TREATED[:, 0], TREATED[:, 1] == 1)
    assert_steps(got, case.value, case.abs)
    assert got.median == case.value["median"]
    assert got.times.tolist() == [6, 7, 10, 13, 16, 22, 23]
    greenwood = [float(one) for one in case.note.split() if one.startswith("0.")]
    assert len(greenwood) == 7
    assert got.standard_error == pytest.approx(greenwood, abs=1e-6)


def test_placebo_arm_without_censoring() -> None:
    """Same source: median 8, nobody left at 23; the error is unknown where nobody is left."""
    case = values.check("km_placebo")
    got = kaplan_meier(PLACEBO, np.ones(21))
    assert_steps(got, case.value, case.abs)
    assert got.median == case.value["median"]
    assert math.isnan(got.standard_error[-1])


def test_small_case_of_bewick() -> None:
    """Bewick et al. 2004, Critical Care 8:389, table 2: 1, 1, 4, 5, 6+, 9, 9+, 22."""
    got = kaplan_meier([1, 1, 4, 5, 6, 9, 9, 22], [1, 1, 1, 1, 0, 1, 0, 1])
    assert got.share == pytest.approx([0.750, 0.625, 0.500, 0.333, 0.000], abs=5e-4)


def test_fan_belts() -> None:
    """Example in the scipy.stats.ecdf documentation."""
    case = values.check("km_fanbelt")
    broken, running = case.inputs["events"], case.inputs["censored"]
    got = kaplan_meier(broken + running, [True] * len(broken) + [False] * len(running))
    assert_steps(got, case.value, case.abs)


def test_exactly_half_left_is_the_median() -> None:
    """The first time with half or fewer open, whatever the rounding: 4 of 8 closed at 3."""
    assert kaplan_meier([3, 3, 3, 3, 5, 5, 5, 5], [True] * 4 + [False] * 4).median == 3.0


def test_log_rank_of_freireich() -> None:
    case = values.check("logrank_6mp")
    got = log_rank(TREATED[:, 0], TREATED[:, 1], PLACEBO, np.ones(21))
    assert got.chi_square == pytest.approx(case.value, abs=case.abs)
    theirs = logrank_test(TREATED[:, 0], PLACEBO, TREATED[:, 1], np.ones(21))
    assert got.p_value == pytest.approx(theirs.p_value, rel=1e-9)


def test_of_a_tie_the_censored_one_is_still_at_risk() -> None:
    """Three closed and one censored at 6 of 21: 18/21, not 17/20."""
    got = kaplan_meier(TREATED[:, 0], TREATED[:, 1] == 1)
    assert got.at_risk[0] == 21
    assert got.share[0] == pytest.approx(18 / 21)


@settings(max_examples=30, deadline=None)
@given(ENTRIES)
def test_agrees_with_lifelines_and_statsmodels(entries: list[tuple[int, bool]]) -> None:
    times, ended = np.array([t for t, _ in entries], dtype=float), np.array([e for _, e in entries])
    got = kaplan_meier(times, ended)
    if not ended.any():
        assert got.times.size == 0
        assert got.median == math.inf
        return
    fitted = KaplanMeierFitter().fit(times, ended)
    np.testing.assert_allclose(got.share, fitted.survival_function_at_times(got.times), atol=1e-9)
    if not np.any(np.abs(got.share - 0.5) < 1e-9):  # at exactly a half lifelines decides by its last rounding
        assert got.median == fitted.median_survival_time_
    other = SurvfuncRight(times, ended.astype(float))
    open_still = got.share > 0
    np.testing.assert_allclose(
        got.standard_error[open_still],
        other.surv_prob_se[np.isin(other.surv_times, got.times)][open_still],
        atol=1e-9,
    )
    assert np.all(np.diff(got.share) < 0)
    bounds = fitted.confidence_interval_.loc[got.times[open_still]].to_numpy()
    np.testing.assert_allclose(got.lower[open_still], bounds[:, 0], atol=1e-6)
    np.testing.assert_allclose(got.upper[open_still], bounds[:, 1], atol=1e-6)


@settings(max_examples=40, deadline=None)
@given(a=ENTRIES, b=ENTRIES)
def test_log_rank_agrees_with_lifelines(a: list[tuple[int, bool]], b: list[tuple[int, bool]]) -> None:
    (times_a, ended_a), (times_b, ended_b) = zip(*a, strict=True), zip(*b, strict=True)
    got = log_rank(times_a, ended_a, times_b, ended_b)
    swapped = log_rank(times_b, ended_b, times_a, ended_a)
    if math.isnan(got.chi_square):
        assert math.isnan(swapped.chi_square)
        return
    assert swapped.chi_square == pytest.approx(got.chi_square, rel=1e-6, abs=1e-9)
    theirs = logrank_test(times_a, times_b, ended_a, ended_b)
    assert got.chi_square == pytest.approx(theirs.test_statistic, rel=1e-6, abs=1e-9)


def test_nothing_closed_has_no_median_and_no_difference() -> None:
    got = kaplan_meier([3, 5], [False, False])
    assert got.median == math.inf
    assert float(got.at(100.0)) == 1.0
    assert math.isnan(got.at(math.nan))
    assert math.isnan(log_rank([3], [False], [4], [False]).p_value)


def test_bad_durations_are_refused_by_name() -> None:
    with pytest.raises(ValueError, match="duration 1 is nan"):
        kaplan_meier([1.0, math.nan], [True, True])
    with pytest.raises(ValueError, match=r"duration 0 is -1\.0"):
        kaplan_meier([-1.0], [True])
    with pytest.raises(ValueError, match="one length"):
        kaplan_meier([1.0, 2.0], [True])
    with pytest.raises(ValueError, match="no durations given"):
        kaplan_meier([], [])
