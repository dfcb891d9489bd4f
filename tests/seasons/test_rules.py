"""What counts say: against published figures, known patterns, and seasons in which nothing changed."""

from __future__ import annotations

import math

import numpy as np
import pytest
from statsmodels.stats.contingency_tables import StratifiedTable

from api.seasons.measures import AT, DURATION_BINS_H, MEASURES
from api.seasons.rules import (
    FALSE_ALARM,
    Verdict,
    compared,
    mantel_haenszel,
    median_to_clear,
    rate,
    recurrences,
    splits,
    through_time,
)

GAPS = 10


def counts(*rows: tuple[int, int]) -> np.ndarray:
    """[requirement, measure] from (asked, lacking)."""
    made = np.zeros((len(rows), len(MEASURES)), dtype=np.int64)
    for at, (asked, lacking) in enumerate(rows):
        made[at, AT["asked"]], made[at, AT["lacking"]] = asked, lacking
    return made


def test_share_is_given_with_wilsons_interval() -> None:
    """Newcombe 1998, table I: 81 of 263, and 0 of 20."""
    one = rate(81, 263)
    assert (one.lower, one.upper) == (pytest.approx(0.255289, abs=1e-6), pytest.approx(0.36621, abs=1e-5))
    none = rate(0, 20)
    assert (none.lower, none.upper) == (0.0, pytest.approx(0.161125, abs=1e-6))
    assert none.too_few
    assert math.isnan(rate(0, 0).share)


def test_a_few_people_do_not_stand_at_the_top() -> None:
    ranked = recurrences(["few", "many", "none"], counts((3, 2), (200, 60), (200, 0)))
    assert [line.requirement for line in ranked] == ["many", "few", "none"]
    few = next(line for line in ranked if line.requirement == "few")
    assert few.shrunk < few.rate.share


def test_strata_are_compared_as_statsmodels_does() -> None:
    """Against statsmodels' StratifiedTable.test_null_odds, with continuity correction."""
    chance = np.random.default_rng(7)
    for _ in range(20):
        n, m = chance.integers(10, 80, 4), chance.integers(10, 80, 4)
        k, j = chance.binomial(n, 0.2), chance.binomial(m, 0.3)
        tables = [np.array([[k[s], n[s] - k[s]], [j[s], m[s] - j[s]]]) for s in range(4)]
        theirs = StratifiedTable(tables).test_null_odds(correction=True).pvalue
        assert mantel_haenszel(k, n, j, m) == pytest.approx(theirs, rel=1e-9)


def test_median_to_clear_counts_what_was_never_closed() -> None:
    made = counts((10, 4))[0]
    made[AT["closed-2"]], made[AT["closed-24"]] = 2, 1
    made[AT["censored-168"]] = 1
    assert median_to_clear(made) == 2
    made[AT["censored-168"]] = 9
    assert median_to_clear(made) == math.inf
    assert math.isnan(median_to_clear(counts((10, 0))[0]))
    assert DURATION_BINS_H[-1] == 168


# -- changes ---------------------------------------------------------------------------------------------


def by_kind(*kinds: list[tuple[int, int]]) -> np.ndarray:
    """[kind, requirement, measure] from (asked, lacking) by requirement, kind by kind."""
    return np.stack([counts(*rows) for rows in kinds])


def test_another_mix_of_trips_is_no_change() -> None:
    """Ascent by season, as invented: fast arrival 6/38 then 21/81, others 2/152 then 2/108.

    All together 8/190 then 23/189, exact p = 0.005.
    """
    before, after = by_kind([(38, 6)], [(152, 2)]), by_kind([(81, 21)], [(108, 2)])
    (one,) = compared(["arrival"], before, after)
    assert one.raw_p == pytest.approx(0.005, abs=0.001)
    assert one.like_p > 0.2
    assert one.verdict is Verdict.MIX


def test_what_is_rare_is_too_few_to_tell() -> None:
    """Parka hood, as invented without any change: 1/190 then 7/189, exact p = 0.04."""
    (one,) = compared(["hood"], by_kind([(190, 1)]), by_kind([(189, 7)]))
    assert one.raw_p == pytest.approx(0.04, abs=0.005)
    assert one.verdict is Verdict.TOO_FEW


def test_a_true_but_small_fall_is_not_called() -> None:
    """Eye protection, as invented: 15/190 then 7/189, exact p = 0.12: looks better, not proven."""
    (one,) = compared(["eyes"], by_kind([(190, 15)]), by_kind([(189, 7)]))
    assert one.raw_p == pytest.approx(0.12, abs=0.01)
    assert one.verdict is Verdict.NOTHING


def test_a_clear_rise_is_called() -> None:
    """Headlamp spare, as invented: 18/190 then 38/189, exact p = 0.004."""
    rest = [(190, 20), (190, 12)]
    again = [(189, 19), (189, 13)]
    found = compared(["lamp", "a", "b"], by_kind([(190, 18), *rest]), by_kind([(189, 38), *again]))
    assert [one.verdict for one in found] == [Verdict.WORSE, Verdict.NOTHING, Verdict.NOTHING]
    assert found[0].raw_p == pytest.approx(0.004, abs=0.001)


def test_false_alarms_are_as_rare_as_stated() -> None:
    """200 pairs of seasons in which only the mix of trips changed: a change is called in at most 5 %."""
    chance = np.random.default_rng(4111)
    base = chance.uniform(0.03, 0.15, GAPS)
    alarms = 0
    for _ in range(200):
        before, after = (_null_season(chance, base, fast) for fast in chance.uniform(0.2, 0.5, 2))
        found = compared([str(gap) for gap in range(GAPS)], before, after)
        alarms += any(one.verdict.called for one in found)
    assert alarms <= FALSE_ALARM * 200


def test_groups_rarely_stand_out_where_none_differs() -> None:
    """600 histories in which all groups are alike: any group stands out in at most 5 % of them."""
    chance = np.random.default_rng(4112)
    base = chance.uniform(0.03, 0.15, GAPS)
    alarms = 0
    for _ in range(600):
        people = chance.multinomial(700, [0.5, 0.27, 0.23], size=2)
        made = np.stack(
            [
                np.stack([counts(*[(int(n), int(chance.binomial(n, p))) for p in base]) for n in season])
                for season in people
            ]
        )
        every = made.sum(axis=1)
        groups = {("rental", str(at)): (made[:, at], every - made[:, at]) for at in range(3)}
        found = splits([str(gap) for gap in range(GAPS)], groups)
        alarms += any(split.stands_out for split in found)
    assert alarms <= FALSE_ALARM * 600


def _null_season(chance: np.random.Generator, base: np.ndarray, fast: float) -> np.ndarray:
    people = chance.multinomial(700, [fast, 1 - fast])
    odds = np.array([2.0, 0.8])
    return by_kind(
        *(
            [(int(n), int(chance.binomial(n, p * times))) for p in base]
            for n, times in zip(people, odds, strict=True)
        )
    )


def test_months_outside_their_limits_are_marked() -> None:
    months = [(2024, month) for month in range(1, 13)]
    usual = counts(*[(200, 20)] * 11, (200, 60))
    centre, points = through_time(months, usual)
    assert centre == pytest.approx(280 / 2400)
    assert [point.outside for point in points] == [False] * 11 + [True]
    assert points[10].run
    assert not points[11].run
