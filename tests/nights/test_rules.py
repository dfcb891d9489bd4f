"""A person's nights against the guideline: each criterion alone and at its edge, and what is not known."""

from datetime import UTC, datetime, timedelta

import pytest

from api.nights.rules import How, State, assess, first_sleep, happened, ladder, planned_nights
from api.science.ascent import History, Risk
from tests.nights.building import FIRST, Story, plan

LOW = {-4: 2400.0, -3: 2400.0, -2: 2400.0, -1: 2400.0}


def state(camps: list[float | None], told: dict[int, float | None] | None = None) -> State:
    trip = plan(camps)
    return assess(ladder(trip, Story(trip).slept(told or {}).picture, "mara")).state


class TestLadder:
    def test_before_the_trip_as_told_then_as_planned(self) -> None:
        trip = plan([2900, 3300, None])
        nights = ladder(trip, Story(trip).slept({-1: 2400, 0: 2800}, known="spent").picture, "mara")
        assert [(n.elevation_m, n.how) for n in nights] == [
            (None, How.UNKNOWN),
            (None, How.UNKNOWN),
            (None, How.UNKNOWN),
            (2400, How.SPENT),
            (2800, How.SPENT),
            (3300, How.PLANNED),
        ]
        assert nights[4].planned_m == 2900
        assert nights[4].place is None, "slept elsewhere than planned"

    def test_asked_and_not_known_is_not_the_plan(self) -> None:
        trip = plan([2900, 3300])
        nights = ladder(trip, Story(trip).slept({0: None}).picture, "mara")
        assert (nights[4].elevation_m, nights[4].how) == (None, How.UNKNOWN)

    def test_days_without_a_stage_are_spent_where_the_last_one_ended(self) -> None:
        trip = plan([2900, 3300, None])
        two_days = timedelta(days=2)
        later = [
            stage.model_copy(
                update={"starts_at": stage.starts_at + two_days, "ends_at": stage.ends_at + two_days}
            )
            for stage in trip.stages[1:]
        ]
        trip = trip.model_copy(update={"stages": (trip.stages[0], *later)})
        assert [(n.on.day, n.elevation_m) for n in planned_nights(trip)] == [
            (10, 2900), (11, 2900), (12, 2900), (13, 3300),
        ]  # fmt: skip

    def test_a_day_without_a_camp_is_not_known(self) -> None:
        assert [n.elevation_m for n in planned_nights(plan([2900, None, 3300]))] == [2900, None, 3300]

    def test_camp_reached_past_midnight_is_the_night_before(self) -> None:
        trip = plan([2900, 3300])
        late = trip.stages[0].model_copy(update={"ends_at": datetime(2026, 7, 11, 1, tzinfo=UTC)})
        assert planned_nights(trip.model_copy(update={"stages": (late, trip.stages[1])}))[0].on == FIRST

    def test_what_happened_takes_no_plan_for_a_fact(self) -> None:
        trip = plan([2900, 3300])
        nights = ladder(trip, Story(trip).slept({**LOW, 0: 2900}, known="spent").picture, "mara")
        over = happened(nights, FIRST + timedelta(days=2))
        assert [n.how for n in over[-2:]] == [How.SPENT, How.UNKNOWN]
        assert assess(over).state is State.UNKNOWN


class TestGuideline:
    """Above 3,000 m at most 500 m a night (WMS 2019/2024 text, from memory; Therapeutic Guidelines)."""

    @pytest.mark.parametrize(
        ("camps", "expected"),
        [
            ([2900, 3400], State.WITHIN),
            ([2900, 3401], State.ABOVE),
            ([3000, 3500], State.WITHIN),
            ([3000], State.WITHIN),
            ([3001], State.ABOVE),
            ([2900], State.WITHIN),
        ],
    )
    def test_gain_a_night_at_its_edge(self, camps: list[float | None], expected: State) -> None:
        assert state(camps, LOW) is expected

    def test_threshold_is_open_below(self) -> None:
        """A night at 3,000 m or lower may gain any height."""
        assert state([3000], {-1: 40.0}) is State.WITHIN

    def test_rest_every_1000_m(self) -> None:
        """An extra day for every 1,000 m (Therapeutic Guidelines: Wilderness Medicine)."""
        assert state([3000, 3500, 4000], LOW) is State.WITHIN
        assert state([3000, 3500, 4000, 4001], LOW) is State.ABOVE
        assert state([3000, 3500, 3500, 4000, 4500], LOW) is State.WITHIN

    def test_rest_every_four_nights(self) -> None:
        assert state([3000, 3100, 3200, 3300, 3400], LOW) is State.WITHIN
        assert state([3000, 3100, 3200, 3300, 3400, 3500], LOW) is State.ABOVE

    def test_the_numbers_of_a_gain(self) -> None:
        trip = plan([2900, 3330, 4150])
        found = assess(ladder(trip, Story(trip).slept(LOW).picture, "mara"))
        (gain,) = found.above
        assert (found.nights[gain.night].on, gain.gain_m, gain.excess_m) == (
            FIRST + timedelta(days=2),
            820.0,
            320.0,
        )


class TestNotKnown:
    def test_nothing_told_is_not_within(self) -> None:
        assert state([3240, 3700]) is State.UNKNOWN

    def test_nothing_told_matters_only_above_the_threshold(self) -> None:
        assert state([2800, 3200]) is State.WITHIN

    def test_a_gap_before_a_high_night_is_not_known(self) -> None:
        assert state([2900, None, 3300], LOW) is State.UNKNOWN

    def test_a_gap_that_no_sharing_out_could_bridge_is_above(self) -> None:
        assert state([2900, None, 4000], LOW) is State.ABOVE

    def test_a_gap_before_a_low_night_is_bridged(self) -> None:
        assert state([None, 2900, 3300], {-1: 2400.0}) is State.WITHIN

    def test_unknown_history_is_never_low(self) -> None:
        trip = plan([2500, 2900])
        found = assess(ladder(trip, Story(trip).slept({-2: 800.0, -1: 800.0}).picture, "mara"))
        assert (found.risk.category, found.risk.at_least) == (None, Risk.LOW)
        assert found.risk.unknown == ("history",)

    def test_unknown_start_leaves_the_first_night_open(self) -> None:
        trip = plan([2900])
        nights = ladder(trip, Story(trip).slept({-1: 2400.0}).picture, "mara")
        assert first_sleep(nights) == (None, None)
        assert "first sleeping height" in assess(nights, History.NONE).risk.unknown


class TestRisk:
    """Luks et al., Wilderness Environ Med 35(1S) (2024) 2S-19S, table of risk categories."""

    @pytest.mark.parametrize(
        ("first", "expected"),
        [(2799, Risk.LOW), (2800, Risk.MODERATE), (3500, Risk.MODERATE), (3501, Risk.HIGH)],
    )
    def test_height_of_the_first_night(self, first: float, expected: Risk) -> None:
        trip = plan([first])
        risk = assess(ladder(trip, Story(trip).slept({-1: 800.0}).picture, "mara"), History.NONE).risk
        row = next(c for c in risk.criteria if c.name == "first sleeping height")
        assert row.at_least is expected

    @pytest.mark.parametrize(
        ("history", "expected"),
        [
            (History.NONE, Risk.LOW),
            (History.MILD_AMS, Risk.LOW),
            (History.MODERATE_SEVERE_AMS, Risk.MODERATE),
            (History.HAPE_OR_HACE, Risk.HIGH),
        ],
    )
    def test_history_alone(self, history: History, expected: Risk) -> None:
        trip = plan([2000, 2900])
        risk = assess(ladder(trip, Story(trip).slept({-1: 800.0}).picture, "mara"), history).risk
        assert risk.category is expected
        if expected is not Risk.LOW:
            assert risk.decided_by == ("history",)

    @pytest.mark.parametrize(
        ("camps", "expected"),
        [
            ([2000, 2900, 3399], Risk.LOW),
            ([2000, 2900, 3400], Risk.MODERATE),
            ([2000, 2900, 3401], Risk.MODERATE),
            ([2000, 3000, 3500, 4000, 4500], Risk.HIGH),
        ],
    )
    def test_rate_alone_with_500_m_printed_in_two_columns(self, camps: list[float], expected: Risk) -> None:
        """Exactly 500 m with extra days stands under low and moderate; it is taken as moderate."""
        trip = plan([float(c) for c in camps])
        risk = assess(ladder(trip, Story(trip).slept({-1: 800.0}).picture, "mara"), History.NONE).risk
        assert risk.category is expected
        if expected is not Risk.LOW:
            assert risk.decided_by == ("ascent rate",)
