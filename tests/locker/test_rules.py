"""Life of protective gear, stock over days, sizes, and what suits what."""

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from api.locker.rules import (
    CRAMPON_TO_BOOT,
    PPE_KINDS,
    Claim,
    Item,
    availability,
    goes_with,
    inspection_due,
    life,
    months_between_inspections,
    state_of,
)
from api.locker.sizes import LETTERS, Fit, Measure, SizeUnreadable, fit, read_size, stated, wanted_in_words

FIRST, LAST = date(2026, 9, 12), date(2026, 9, 15)
TODAY = date(2026, 9, 1)


def thing(**fields: Any) -> Item:
    return replace(Item(id="x-1", what="Thing", meets=("parka",)), **fields)


def harness(**fields: Any) -> Item:
    values = {"protective": "harness", "made": date(2023, 2, 1), "years_from_made": 10.0}
    return thing(**{**values, "inspected_on": date(2026, 4, 1), **fields})


def claim(from_on: date, until_on: date, **fields: Any) -> Claim:
    values: dict[str, Any] = {"trip": "t", "trip_name": "Other", "loan": "l", "state": "promised", "units": 1}
    return Claim(**{**values, "from_on": from_on, "until_on": until_on, **fields})


class TestCategories:
    """Against the Annexes and standards bodies, not against our own table."""

    def test_crampons_are_category_two(self) -> None:
        """CEN on EN 893:2019: crampons are PPE category II.

        https://www.cen.eu/news/brief-news/Pages/EN-2019-031.aspx
        """
        assert PPE_KINDS["crampons"].category == "II"

    def test_yearly_examination_of_category_three_does_not_catch_crampons(self) -> None:
        crampons = thing(protective="crampons", made=date(2015, 1, 1), bought=date(2015, 2, 1))
        assert months_between_inspections(crampons) is None
        assert inspection_due(crampons) is None
        assert availability(crampons, (), FIRST, LAST, today=TODAY).free == 1

    def test_every_category_three_kind_is_examined_yearly(self) -> None:
        """EN 365: periodic examination at least every 12 months by a competent person."""
        three = [name for name, kind in PPE_KINDS.items() if kind.category == "III"]
        assert {"harness", "rope", "connector", "sling"} <= set(three)
        assert all(months_between_inspections(thing(protective=name)) == 12 for name in three)
        others = [name for name, kind in PPE_KINDS.items() if kind.category != "III"]
        assert all(months_between_inspections(thing(protective=name)) is None for name in others)

    def test_interval_as_entered_wins_for_any_category(self) -> None:
        crampons = thing(protective="crampons", inspect_months=6, inspected_on=date(2026, 1, 1))
        due = inspection_due(crampons)
        assert due is not None
        assert abs((due - date(2026, 7, 1)).days) <= 2


class TestLife:
    def test_earliest_limit_counts(self) -> None:
        item = harness(first_use=date(2023, 6, 5), years_from_first_use=7.0)
        found = life(item)
        assert found.until == date(2030, 6, 5)
        assert "7 years from when it was first used" in found.reasons[0]

    def test_retire_by_as_entered(self) -> None:
        assert life(harness(retire_by=date(2026, 9, 14))).until == date(2026, 9, 14)

    @pytest.mark.parametrize(("ends", "free"), [(LAST - timedelta(days=1), 0), (LAST, 1)])
    def test_life_must_reach_the_last_day(self, ends: date, free: int) -> None:
        assert availability(harness(retire_by=ends), (), FIRST, LAST, today=TODAY).free == free

    @pytest.mark.parametrize("fields", [{"made": None}, {"years_from_made": None}])
    def test_textile_of_unknown_age_or_limit_is_never_offered(self, fields: dict[str, Any]) -> None:
        item = harness(**fields)
        assert not life(item).known
        had = availability(item, (), FIRST, LAST, today=TODAY)
        assert (had.free, "Not known how old" in had.against[0]) == (0, True)

    def test_unused_thing_with_a_limit_from_first_use_alone(self) -> None:
        assert life(harness(years_from_made=None, years_from_first_use=5.0)).known

    def test_overdue_examination_is_never_offered(self) -> None:
        item = harness(inspected_on=date(2025, 9, 1))
        assert availability(item, (), FIRST, LAST, today=TODAY).free == 0
        assert state_of(item, (), date(2026, 9, 20)) == "due"

    def test_never_examined_is_said(self) -> None:
        item = thing(protective="connector")
        assert "never examined" in availability(item, (), FIRST, LAST, today=TODAY).against[0]


class TestAvailability:
    def test_quarantine(self) -> None:
        item = thing(quarantined_at=datetime(2026, 8, 1, tzinfo=UTC), quarantine_reason="fall held")
        had = availability(item, (), FIRST, LAST, today=TODAY)
        assert had.free == 0
        assert "fall held" in had.against[0]

    def test_retired(self) -> None:
        item = thing(retired_on=date(2026, 1, 1), retired_reason="cut")
        assert not availability(item, (), FIRST, LAST, today=TODAY).any

    @pytest.mark.parametrize(
        ("from_on", "until_on", "free"),
        [
            (FIRST - timedelta(days=5), FIRST - timedelta(days=1), 1),
            (FIRST - timedelta(days=5), FIRST, 0),
            (LAST, LAST + timedelta(days=3), 0),
            (LAST + timedelta(days=1), LAST + timedelta(days=3), 1),
            (FIRST, LAST, 0),
        ],
    )
    def test_promised_on_overlapping_days(self, from_on: date, until_on: date, free: int) -> None:
        """The day on which one trip returns and another leaves overlaps: returns come wet, or late."""
        assert availability(thing(), [claim(from_on, until_on)], FIRST, LAST, today=TODAY).free == free

    def test_out_and_overdue_is_not_offered_for_any_later_day(self) -> None:
        late = claim(date(2026, 8, 1), date(2026, 8, 5), state="out")
        had = availability(thing(), [late], FIRST, LAST, today=TODAY)
        assert had.free == 0
        assert "overdue from Other since 5 August 2026" in had.against[0]
        assert state_of(thing(), [late], TODAY) == "overdue"

    def test_out_already_although_its_trip_starts_later(self) -> None:
        early = claim(date(2026, 9, 20), date(2026, 9, 25), state="out")
        assert availability(thing(), [early], FIRST, LAST, today=TODAY).free == 0

    @pytest.mark.parametrize("state", ["returned", "released"])
    def test_what_is_over_claims_nothing(self, state: str) -> None:
        assert availability(thing(), [claim(FIRST, LAST, state=state)], FIRST, LAST, today=TODAY).free == 1

    def test_counted_stock(self) -> None:
        item = thing(counted=True, quantity=5)
        claims = [claim(FIRST, FIRST, units=2), claim(LAST, LAST, units=2, loan="m")]
        assert availability(item, claims, FIRST, LAST, today=TODAY).free == 1

    @given(
        st.lists(st.tuples(st.integers(0, 30), st.integers(0, 10), st.integers(1, 3)), max_size=6),
        st.integers(0, 8),
        st.integers(0, 30),
        st.integers(0, 10),
    )
    def test_never_more_than_there_is_on_any_day(
        self, loans: list[tuple[int, int, int]], quantity: int, first: int, days: int
    ) -> None:
        """What is offered plus what is promised never passes the stock on any single day."""
        start = date(2026, 9, 1)
        item = thing(counted=True, quantity=quantity)
        claims = [
            claim(
                start + timedelta(days=at), start + timedelta(days=at + long), units=units, loan=f"l{number}"
            )
            for number, (at, long, units) in enumerate(loans)
        ]
        begins, ends = start + timedelta(days=first), start + timedelta(days=first + days)
        free = availability(item, claims, begins, ends, today=start).free
        assert free >= 0
        for offset in range(days + 1):
            day = begins + timedelta(days=offset)
            promised = sum(one.units for one in claims if one.from_on <= day <= one.until_on)
            assert free == 0 or free + promised <= quantity


class TestSuits:
    """Published match of boots and crampons: https://thenextchallenge.org/boot-crampon-ratings

    B1 takes C1; B2 takes C1 and C2; B3 takes all; a flexible boot takes none.
    """

    @pytest.mark.parametrize(
        ("boot", "bindings"), [("flexible", ""), ("b1", "c1"), ("b2", "c1 c2"), ("b3", "c1 c2 c3")]
    )
    def test_match(self, boot: str, bindings: str) -> None:
        takes = [b for b in ("c1", "c2", "c3") if boot in (goes_with({"binding": b}) or ())]
        assert takes == bindings.split()

    def test_unknown_binding_suits_nothing(self) -> None:
        assert goes_with({"binding": "mystery"}) == frozenset()

    def test_what_need_not_suit_anything(self) -> None:
        assert goes_with({"colour": "red"}) is None

    def test_source_is_named(self) -> None:
        assert CRAMPON_TO_BOOT.source.startswith("https://")


class TestSizes:
    @pytest.mark.parametrize(
        ("measure", "has", "wants", "expected"),
        [
            (Measure.HANDS, "L", "L", Fit.FITS),
            (Measure.HANDS, "XL", "L", Fit.EDGE),
            (Measure.HANDS, "XXL", "L", Fit.NO),
            (Measure.HANDS, "M", "L", Fit.NO),
            (Measure.CLOTHING, "M-L", "l", Fit.FITS),
            (Measure.BOOT, "36-47", "42.5", Fit.FITS),
            (Measure.BOOT, "43", "42.5", Fit.EDGE),
            (Measure.BOOT, "42", "42.5", Fit.NO),
            (Measure.HEAD, "53-61 cm", "58", Fit.FITS),
            (Measure.HEAD, "53-56", "58", Fit.NO),
            (Measure.HANDS, "L", None, Fit.UNKNOWN),
            (Measure.HANDS, "L", "largish", Fit.UNKNOWN),
            (Measure.NONE, "", None, Fit.FITS),
        ],
    )
    def test_fit(self, measure: Measure, has: str, wants: str | None, expected: Fit) -> None:
        assert fit(measure, has, wants) is expected

    def test_european_size_of_a_foot(self) -> None:
        """A Paris point is two thirds of a centimetre (ISO/TS 19407): 10 mm of foot are 1.5 sizes."""
        small, large = (read_size(f"{mm} mm", Measure.BOOT).low for mm in (260, 270))
        assert large - small == pytest.approx(1.5)
        assert small == pytest.approx(41.25)

    @pytest.mark.parametrize("text", ["", "M-", "L-S", "Q", "S-M-L"])
    def test_unreadable(self, text: str) -> None:
        with pytest.raises(SizeUnreadable) as caught:
            read_size(text, Measure.CLOTHING)
        assert "M-L" in caught.value.remedy

    @given(st.sampled_from(LETTERS), st.sampled_from(LETTERS))
    def test_too_small_never_fits(self, has: str, wants: str) -> None:
        if LETTERS.index(has) < LETTERS.index(wants):
            assert fit(Measure.CLOTHING, has, wants) is Fit.NO

    def test_stated_under_other_names(self) -> None:
        assert stated(Measure.HANDS, {"gloves": "L"}) == "L"
        assert stated(Measure.HANDS, {"boot": "42"}) is None

    def test_what_to_look_for(self) -> None:
        assert wanted_in_words(Measure.HANDS, "L") == "size L or XL"
        assert wanted_in_words(Measure.HEAD, "57 cm") == "head 57 cm"
        assert wanted_in_words(Measure.HANDS, None) == ""
