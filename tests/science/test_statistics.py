"""Shares and changes against published cases and statsmodels and scipy."""

from __future__ import annotations

import math
from time import perf_counter

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize, stats
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.proportion import proportion_confint

from api.science import statistics
from tests.reference import values

COUNTS = st.integers(1, 400).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))


@pytest.mark.parametrize("case", values.params("statistics", "wilson"))
def test_wilson_interval(case: values.Check) -> None:
    """Wilson 1927; 81/263, 15/148, 0/20 and 1/29 are the cases of Newcombe 1998."""
    got = statistics.wilson_interval(case.inputs["k"], case.inputs["n"])
    assert float(got.lower) == pytest.approx(case.value[0], abs=case.abs)
    assert float(got.upper) == pytest.approx(case.value[1], abs=case.abs)


@pytest.mark.parametrize(
    ("hits", "total", "lower", "upper"), [(15, 148, 0.062386, 0.160487), (50, 100, 0.403832, 0.596168)]
)
def test_wilson_interval_of_two_more_cases(hits: int, total: int, lower: float, upper: float) -> None:
    """Newcombe 1998 (15/148) and a half of a hundred, as scipy and statsmodels have them; ±1e-6."""
    got = statistics.wilson_interval(hits, total)
    assert (float(got.lower), float(got.upper)) == pytest.approx((lower, upper), abs=1e-6)


@given(count=COUNTS, confidence=st.floats(0.5, 0.999))
def test_wilson_agrees_with_statsmodels_and_stays_inside(count: tuple[int, int], confidence: float) -> None:
    hits, total = count
    got = statistics.wilson_interval(hits, total, confidence)
    assert 0.0 <= got.lower <= hits / total <= got.upper <= 1.0
    theirs = proportion_confint(hits, total, alpha=1 - confidence, method="wilson")
    assert (float(got.lower), float(got.upper)) == pytest.approx(theirs, abs=1e-9)


def test_wilson_at_the_ends_is_exact() -> None:
    got = statistics.wilson_interval([0, 7], [7, 7])
    assert got.lower[0] == 0.0
    assert got.upper[1] == 1.0


def test_wilson_of_nothing_or_nonsense_is_nan() -> None:
    got = statistics.wilson_interval([0, -1, 5, math.nan, 1], [0, 5, 4, 5, math.nan])
    assert np.isnan(got.lower).all()
    assert np.isnan(got.upper).all()
    with pytest.raises(ValueError, match="confidence lies between 0 and 1; got 95"):
        statistics.wilson_interval(1, 2, 95)


def test_fisher_and_the_tea() -> None:
    """Fisher 1935, the lady tasting tea with three of four right: 34/70 on both sides (from memory; exact
    arithmetic).
    """
    assert float(statistics.fisher_exact(3, 4, 1, 4)) == pytest.approx(34 / 70, rel=1e-12)


@given(a=COUNTS, b=COUNTS)
def test_fisher_agrees_with_scipy(a: tuple[int, int], b: tuple[int, int]) -> None:
    table = [[a[0], a[1] - a[0]], [b[0], b[1] - b[0]]]
    theirs = stats.fisher_exact(table).pvalue
    assert float(statistics.fisher_exact(*a, *b)) == pytest.approx(theirs, rel=1e-7, abs=1e-14)


@given(a=COUNTS, b=COUNTS)
def test_fisher_does_not_mind_the_order(a: tuple[int, int], b: tuple[int, int]) -> None:
    one = float(statistics.fisher_exact(*a, *b))
    assert float(statistics.fisher_exact(*b, *a)) == pytest.approx(one, rel=1e-9)
    assert 0.0 < one <= 1.0


def test_fisher_over_arrays_and_large_totals() -> None:
    got = statistics.fisher_exact([18, 20_000], [190, 100_000], [38, 20_500], [189, 100_000])
    assert got[0] == pytest.approx(stats.fisher_exact([[18, 172], [38, 151]]).pvalue, rel=1e-9)
    large = stats.fisher_exact([[20_000, 80_000], [20_500, 79_500]]).pvalue
    assert got[1] == pytest.approx(large, rel=1e-6)


def test_fisher_of_nothing_or_nonsense_is_nan() -> None:
    got = statistics.fisher_exact([0, 5, 1.5, math.nan, math.inf], [0, 4, 4, 4, math.inf], 1, 4)
    assert np.isnan(got).all()


FIFTEEN = [
    0.0001,
    0.0004,
    0.0019,
    0.0095,
    0.0201,
    0.0278,
    0.0298,
    0.0344,
    0.0459,
    0.3240,
    0.4262,
    0.5719,
    0.6528,
    0.7590,
    1.0,
]


def test_benjamini_hochberg_on_their_own_example() -> None:
    """Benjamini & Hochberg 1995, 15 comparisons (from memory): four fall at 0.05, where Bonferroni lets
    three.
    """
    adjusted = statistics.benjamini_hochberg(FIFTEEN)
    assert int((adjusted <= 0.05).sum()) == 4
    assert int((np.array(FIFTEEN) * 15 <= 0.05).sum()) == 3
    assert adjusted[0] == pytest.approx(0.0015, abs=1e-12)


@given(st.lists(st.floats(0, 1), min_size=1, max_size=60))
def test_benjamini_hochberg_agrees_with_statsmodels(p: list[float]) -> None:
    got = statistics.benjamini_hochberg(p)
    np.testing.assert_allclose(got, multipletests(p, method="fdr_bh")[1], rtol=1e-9, atol=1e-15)
    order = np.argsort(p, kind="stable")
    assert np.all(np.diff(got[order]) >= -1e-15)
    assert np.all(got >= np.array(p) - 1e-15)


def test_a_test_not_made_does_not_count() -> None:
    got = statistics.benjamini_hochberg([0.01, math.nan, 0.04])
    assert got[[0, 2]] == pytest.approx([0.02, 0.04])
    assert math.isnan(got[1])
    with pytest.raises(ValueError, match=r"got 1\.5"):
        statistics.benjamini_hochberg([0.5, 1.5])


HITS_OF_45 = np.array([18, 17, 16, 15, 14, 14, 13, 12, 11, 11, 10, 10, 10, 10, 10, 9, 8, 7])
LATER = np.array(
    [
        0.346,
        0.298,
        0.276,
        0.222,
        0.273,
        0.270,
        0.263,
        0.210,
        0.269,
        0.230,
        0.264,
        0.256,
        0.303,
        0.264,
        0.226,
        0.285,
        0.316,
        0.200,
    ]
)


def test_shrinkage_on_the_eighteen_batters() -> None:
    """Efron & Morris 1975/1977: first 45 turns against the rest of the season. Published: grand mean .265,
    total squared error .077 raw and .022 shrunk (their estimator; data as printed there, sums from memory).
    Ours may differ by 0.003.
    """
    got = statistics.shrink(HITS_OF_45, np.full(18, 45))
    assert got.overall == pytest.approx(0.265, abs=0.001)
    raw = float(((HITS_OF_45 / 45 - LATER) ** 2).sum())
    shrunk = float(((got.mean - LATER) ** 2).sum())
    assert raw == pytest.approx(0.077, abs=0.003)
    assert shrunk == pytest.approx(0.022, abs=0.003)


def test_shrinkage_recovers_a_known_prior() -> None:
    """400 groups of 5 to 60 drawn from beta(3, 17): precision 20, mean 0.15; tolerance three times the
    scatter seen.
    """
    dice = np.random.default_rng(2)
    total = dice.integers(5, 60, 400)
    truth = dice.beta(3, 17, 400)
    hits = dice.binomial(total, truth)
    got = statistics.shrink(hits, total)
    assert got.overall == pytest.approx(0.15, abs=0.015)
    assert got.precision == pytest.approx(20, rel=0.4)
    raw_error = float(((hits / total - truth) ** 2).mean())
    assert float(((got.mean - truth) ** 2).mean()) < 0.75 * raw_error
    covered = float(((got.lower <= truth) & (truth <= got.upper)).mean())
    assert covered == pytest.approx(0.95, abs=0.03)


def test_moments_are_nearly_as_likely_as_the_best_fit() -> None:
    """scipy's beta-binomial: the moment fit gives away less than one unit of log likelihood on 400 groups."""
    dice = np.random.default_rng(3)
    total = dice.integers(5, 60, 400)
    hits = dice.binomial(total, dice.beta(2, 6, 400))
    got = statistics.shrink(hits, total)

    def cost(logs: np.ndarray) -> float:
        alpha, beta = np.exp(logs)
        return -float(stats.betabinom.logpmf(hits, total, alpha, beta).sum())

    ours = np.log([got.overall * got.precision, (1 - got.overall) * got.precision])
    best = optimize.minimize(cost, ours, method="Nelder-Mead").fun
    assert cost(ours) - best < 1.0


def test_posterior_is_the_beta_it_says() -> None:
    got = statistics.shrink([1, 9, 4], [20, 20, 20], confidence=0.9)
    alpha = got.overall * got.precision + np.array([1, 9, 4])
    beta = (1 - got.overall) * got.precision + np.array([19, 11, 16])
    np.testing.assert_allclose(got.mean, stats.beta.mean(alpha, beta), rtol=1e-12)
    np.testing.assert_allclose(got.lower, stats.beta.ppf(0.05, alpha, beta), rtol=1e-9)
    np.testing.assert_allclose(got.upper, stats.beta.ppf(0.95, alpha, beta), rtol=1e-9)


@settings(deadline=None)
@given(st.lists(COUNTS, min_size=1, max_size=20))
def test_shrunk_share_lies_between_its_own_and_the_overall(groups: list[tuple[int, int]]) -> None:
    hits, total = np.array(groups).T
    got = statistics.shrink(hits, total)
    own = hits / total
    assert np.all(got.mean >= np.minimum(own, got.overall) - 1e-12)
    assert np.all(got.mean <= np.maximum(own, got.overall) + 1e-12)
    assert np.all((got.lower >= 0) & (got.lower <= got.upper) & (got.upper <= 1))


def test_no_more_spread_than_chance_pools_everything() -> None:
    got = statistics.shrink([5, 5, 5, 5], [50, 50, 50, 50])
    assert got.precision == 200.0
    assert np.ptp(got.mean) == 0.0


def test_empty_and_unknown_groups() -> None:
    got = statistics.shrink([0, 3, math.nan, 5, 9], [0, 10, 10, 4, 20])
    assert got.mean[0] == pytest.approx(got.overall)
    assert np.isnan(got.mean).tolist() == [False, False, True, True, False]
    assert got.overall == pytest.approx(12.5 / 31)
    with pytest.raises(ValueError, match="at least one group"):
        statistics.shrink([0, 0], [0, 0])


def test_shrinking_many_groups_is_quick() -> None:
    dice = np.random.default_rng(4)
    total = dice.integers(1, 200, 20_000)
    hits = dice.binomial(total, 0.1)
    began = perf_counter()
    statistics.shrink(hits, total)
    assert perf_counter() - began < 1.0


CANS = [
    12,
    15,
    8,
    10,
    4,
    7,
    16,
    9,
    14,
    10,
    5,
    6,
    17,
    12,
    22,
    8,
    10,
    5,
    13,
    11,
    20,
    18,
    24,
    15,
    9,
    12,
    7,
    13,
    9,
    6,
]


def test_p_chart_of_the_juice_cans() -> None:
    """Montgomery, and NIST handbook 6.3.3.2 (from memory): 30 samples of 50, centre .2313, limits .0524 and
    .4102, samples 15 and 23 outside. Tolerance: the digits printed.
    """
    chart = statistics.p_chart(CANS, np.full(30, 50))
    assert chart.centre == pytest.approx(0.2313, abs=5e-5)
    assert chart.lower == pytest.approx(np.full(30, 0.0524), abs=1e-4)
    assert chart.upper == pytest.approx(np.full(30, 0.4102), abs=1e-4)
    assert (np.nonzero(chart.outside)[0] + 1).tolist() == [15, 23]


def test_too_few_to_tell_is_never_outside() -> None:
    chart = statistics.p_chart([4, 40, math.nan], [4, 100, 10], centre=0.1)
    assert np.isnan(chart.upper).tolist() == [True, False, True]
    assert chart.outside.tolist() == [False, True, False]
    with pytest.raises(ValueError, match="at least one point"):
        statistics.p_chart([0], [0])


def test_false_alarms_of_the_p_chart_stay_rare() -> None:
    """3 sigma and no change planted: about 3 in 1000 by the normal curve; a skewed binomial may double it."""
    dice = np.random.default_rng(6)
    hits = dice.binomial(100, 0.12, 20_000)
    chart = statistics.p_chart(hits, np.full(20_000, 100), centre=0.12)
    assert 0.0 < float(chart.outside.mean()) < 0.006


def test_eight_in_a_row() -> None:
    """Western Electric: eight consecutive points on one side of the centre line."""
    row = [0.2] * 7 + [0.0] + [0.2] * 9 + [-0.1] * 3
    ends = np.nonzero(statistics.run_rule(row, 0.1))[0]
    assert ends.tolist() == [15, 16]
    assert not statistics.run_rule([0.2] * 7, 0.1).any()
    assert not statistics.run_rule([0.1] * 20, 0.1).any()
    assert not statistics.run_rule([], 0.1).any()


def test_an_unknown_point_breaks_the_run() -> None:
    row = [0.2] * 7 + [math.nan] + [0.2] * 7
    assert not statistics.run_rule(row, 0.1).any()


@given(st.lists(st.sampled_from([-1.0, 0.0, 1.0, math.nan]), max_size=60), st.integers(2, 9))
def test_run_rule_against_counting_by_hand(row: list[float], length: int) -> None:
    run, side, expected = 0, 0.0, []
    for one in row:
        if math.isnan(one) or one == 0.0:
            run, side = 0, 0.0
        elif one == side:
            run += 1
        else:
            run, side = 1, one
        expected.append(run >= length)
    assert statistics.run_rule(row, 0.0, length).tolist() == expected
