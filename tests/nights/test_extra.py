"""The search for extra nights: against the guideline's own checks, and against trying everything."""

from itertools import combinations_with_replacement

import pytest
from hypothesis import given
from hypothesis import strategies as st

from api.clock import SystemClock
from api.nights.extra import Where, extra_nights, nights_between
from api.science.ascent import rest_nights, sleeping_gains


def keeps(heights: list[float]) -> bool:
    gains = any(gain.above_limit for gain in sleeping_gains(heights))
    return not gains and not any(rest.overdue for rest in rest_nights(heights))


def test_a_plan_within_the_guideline_needs_none() -> None:
    (only,) = extra_nights([2400, 2900, 3300])
    assert only.nights == ()


def test_one_night_on_the_way_divides_a_gain() -> None:
    (only,) = extra_nights([2640, 2900, 3240, 3780])
    (night,) = only.nights
    assert (night.where, night.after, night.low_m, night.high_m) == (Where.BETWEEN, 2, 3280.0, 3740.0)


def test_a_stop_of_the_itinerary_in_the_band_is_named() -> None:
    stops = {2: [("Moraine edge", 3260.0), ("Glacier", 3420.0)]}
    (only,) = extra_nights([2640, 2900, 3240, 3780], stops=stops)
    assert (only.nights[0].place, only.nights[0].at_m) == ("Glacier", 3420.0)


def test_a_rest_is_one_more_night_at_a_camp_and_the_earliest_comes_first() -> None:
    proposals = extra_nights([3000, 3400, 3800, 4200])
    assert [[(n.where, n.after) for n in p.nights] for p in proposals] == [
        [(Where.AGAIN, 1)],
        [(Where.AGAIN, 2)],
    ]


def test_what_is_over_cannot_be_changed() -> None:
    (only,) = extra_nights([2640, 3240, 3780, 3240], fixed=3)
    assert only.nights == ()
    (night,) = extra_nights([2640, 3240, 3780, 3240], fixed=2)[0].nights
    assert night.after == 1


@pytest.mark.parametrize(
    ("start", "end", "nights"),
    [
        (3240, 3740, 0),
        (3240, 3741, 1),
        (3240, 4240, 1),
        (3240, 4241, 2),
        (760, 3000, 0),
        (760, 3500, 1),
        (760, 3501, 2),
        (2900, 3400, 0),
        (2900, 3401, 1),
    ],
)
def test_nights_a_gain_needs(start: float, end: float, nights: int) -> None:
    assert nights_between(start, end) == nights


@pytest.mark.parametrize("fixed", [0, 4])
def test_a_number_of_fixed_nights_that_cannot_be_is_refused(fixed: int) -> None:
    with pytest.raises(ValueError, match=f"fixed is {fixed} of 3 nights"):
        extra_nights([2400, 2900, 3300], fixed=fixed)


HEIGHTS = st.lists(st.integers(24, 52).map(lambda h: h * 100.0), min_size=2, max_size=9)


@given(HEIGHTS)
def test_every_proposal_keeps_to_the_guideline(heights: list[float]) -> None:
    for proposal in extra_nights(heights):
        assert keeps(list(proposal.heights_m))
        left = list(proposal.heights_m)
        for height in heights:
            left = left[left.index(height) + 1 :]


@given(st.lists(st.integers(24, 50).map(lambda h: h * 100.0), min_size=2, max_size=4))
def test_never_more_nights_than_trying_everything_finds(heights: list[float]) -> None:
    """Every way of putting up to two nights of any hundred metres between the others."""
    (best, *_) = extra_nights(heights)
    for count in range(min(3, len(best.nights))):
        for where in combinations_with_replacement(range(1, len(heights) + 1), count):
            assert not any(keeps(tried) for tried in _filled(heights, where)), (count, where)


def _filled(heights: list[float], where: tuple[int, ...]) -> list[list[float]]:
    plans: list[list[float]] = [heights]
    for at in reversed(where):
        low = heights[at - 1]
        high = heights[at] if at < len(heights) else low
        steps = (
            [low + 100.0 * i for i in range(int(abs(high - low) // 100) + 1)] if high >= low else [low, high]
        )
        plans = [[*plan[:at], height, *plan[at:]] for plan in plans for height in steps]
    return plans


def test_fourteen_nights_take_less_than_20_ms() -> None:
    plan = [2640.0, 3240, 3800, 4200, 4700, 5000, 5200, 5400, 5600, 5900, 6000, 6200, 6400, 6600]
    clock = SystemClock()
    times = []
    for _ in range(5):
        started = clock.monotonic()
        assert keeps(list(extra_nights(plan)[0].heights_m))
        times.append(clock.monotonic() - started)
    assert min(times) < 0.020
