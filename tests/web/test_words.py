"""Numbers, times and counts as people read them. Conversions are checked against exact definitions."""

from datetime import UTC, date, datetime, timedelta
from enum import StrEnum
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from api.journal.kinds import GearState, Known
from api.journal.trip import Effort, HoldKind, Role, Terrain
from api.kitlist.schemas import Grade, Scope, Zone
from api.readiness.schemas import GapKind, Standing, Tally, Trigger
from web import words
from web.words import Say, Units

BISHKEK = ZoneInfo("Asia/Bishkek")
NOON = datetime(2026, 9, 12, 6, 0, tzinfo=UTC)


def plain(text: str) -> str:
    """The text with ordinary spaces."""
    return text.replace("\N{NO-BREAK SPACE}", " ")


def trigger(**changes: object) -> Trigger:
    given = {
        "metric": "freezing_level_m",
        "title": "freezing level",
        "unit": "m",
        "value": 3350.0,
        "comparison": "below",
        "threshold": 3600.0,
        "stage": "summit",
    }
    return Trigger.model_validate({**given, **changes})


@pytest.mark.parametrize(
    ("value", "places", "text"),
    [
        (0.0, 0, "0"),
        (-0.4, 0, "0"),
        (-0.04, 1, "0.0"),
        (-7.0, 0, "−7"),
        (4586.4, 0, "4,586"),
        (1234567.0, 0, "1,234,567"),
        (10991.0, -1, "10,990"),
    ],
)
def test_numbers(value: float, places: int, text: str) -> None:
    assert words.number(value, places) == text


@given(st.floats(-1e6, 1e6, allow_nan=False), st.integers(0, 3))
def test_a_number_reads_back_as_itself(value: float, places: int) -> None:
    read = float(words.number(value, places).replace(",", "").replace("−", "-"))
    assert read == pytest.approx(value, abs=0.5 * 10**-places + 1e-9)


# 1 ft = 0.3048 m and 1 mile = 1609.344 m exactly (international yard and pound, 1959; NIST SP 811).
@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (words.elevation(4586), "4,586 m"),
        (words.elevation(3048, Units.US), "10,000 ft"),
        (words.elevation(None), "not known"),
        (words.elevation(float("nan")), "not known"),
        (words.temperature(-40), "−40 °C"),
        (words.temperature(-40, Units.US), "−40 °F"),
        (words.temperature(-17.7778, Units.US), "0 °F"),
        (words.speed(12.5), "45 km/h"),
        (words.speed(44.704, Units.US), "100 mph"),
        (words.rain(0.0), "none"),
        (words.rain(2.5), "2.5 mm"),
        (words.rain(25.4, Units.US), "1.00 in"),
        (words.rain(None), "not known"),
        (words.quantity(-1.6, "°C"), "−1.6 °C"),
        (words.quantity(-20.0, "°C"), "−20 °C"),
        (words.quantity(4.5, "h"), "4 h 30 min"),
        (words.quantity(8.0, "cm"), "8 cm"),
        (words.quantity(5.08, "cm", Units.US), "2.0 in"),
        (words.quantity(8.0, "1"), "8"),
        (words.quantity(220.0, "g"), "220 g"),
        (words.quantity(None, "m"), "not known"),
    ],
)
def test_quantities(text: str, expected: str) -> None:
    assert plain(text) == expected


@pytest.mark.parametrize(
    ("span", "text"),
    [
        (timedelta(minutes=35), "35 min"),
        (timedelta(hours=2, minutes=10), "2 h 10 min"),
        (timedelta(hours=3), "3 h"),
        (timedelta(minutes=59, seconds=40), "1 h"),
        (timedelta(hours=47, minutes=59), "47 h 59 min"),
        (timedelta(days=3, hours=4), "3 days 4 h"),
        (timedelta(days=2, minutes=10), "2 days"),
    ],
)
def test_durations(span: timedelta, text: str) -> None:
    assert plain(words.duration(span)) == text


def test_times_from_now() -> None:
    assert plain(words.from_now(NOON + timedelta(minutes=130), NOON)) == "in 2 h 10 min"
    assert plain(words.from_now(NOON - timedelta(minutes=5), NOON)) == "5 min ago"
    assert words.from_now(NOON + timedelta(seconds=20), NOON) == "now"


@pytest.mark.parametrize(
    ("first", "last", "text"),
    [
        (date(2026, 9, 12), date(2026, 9, 15), "12–15 September 2026"),
        (date(2026, 8, 30), date(2026, 9, 2), "30 August – 2 September 2026"),
        (date(2026, 12, 30), date(2027, 1, 2), "30 December 2026 – 2 January 2027"),
        (date(2026, 9, 12), date(2026, 9, 12), "12 September 2026"),
    ],
)
def test_date_spans(first: date, last: date, text: str) -> None:
    assert plain(words.date_span(first, last)) == text


def test_moments_are_told_in_the_zone_of_the_trip() -> None:
    say = Say(zone=BISHKEK, now=NOON)
    assert say.time(NOON) == "12:00"
    assert plain(say.day_time(NOON + timedelta(hours=13))) == "Sun 13 Sep, 01:00"
    assert say.when(NOON) == "12:00"
    assert plain(say.when(NOON + timedelta(hours=13))) == "Sun 13 Sep, 01:00"
    assert say.iso(NOON) == "2026-09-12T12:00+06:00"


def test_without_a_moment_nothing_is_counted_from_now() -> None:
    with pytest.raises(ValueError, match="no moment to count from"):
        Say().from_now(NOON)


def test_counts_have_the_right_plural() -> None:
    assert plain(words.count(1, "stop")) == "1 stop"
    assert plain(words.count(6, "stop")) == "6 stops"
    assert plain(words.count(0, "entry", "entries")) == "0 entries"
    assert plain(words.count(1, "entry", "entries")) == "1 entry"


def test_a_tally_is_told_worst_first() -> None:
    assert (
        plain(words.tally(Tally(stop=6, fix=3, advise=2, unknown=1)))
        == "6 stops, 3 to fix, 1 not known, 2 advised"
    )
    assert plain(words.tally(Tally(stop=1))) == "1 stop"
    assert words.tally(Tally()) == "nothing known missing"
    assert [standing for standing, _ in words.tally_parts(Tally(unknown=1, advise=1))] == [
        Standing.UNKNOWN,
        Standing.ADVISE,
    ]


def test_lists_and_sentences() -> None:
    assert words.join(["a"]) == "a"
    assert words.join(["a", "b", "c"]) == "a, b and c"
    assert words.join([]) == ""
    assert words.sentence("no hood") == "No hood."
    assert words.sentence("Why?") == "Why?"
    assert words.sentence("") == ""
    assert words.answered("Has it a hood?", "no") == "Has it a hood? No."
    assert words.answered("Lens category", "2") == "Lens category: 2."


def test_triggers_say_value_threshold_and_hour() -> None:
    say = Say(zone=BISHKEK, now=NOON)
    at = NOON + timedelta(hours=13)
    assert plain(say.trigger(trigger())) == "freezing level 3,350 m, asked below 3,600 m"
    assert plain(say.trigger(trigger(line="mitts", at=at))) == (
        "freezing level 3,350 m, line 3,600 m, from Sun 13 Sep, 01:00"
    )
    assert plain(say.trigger(trigger(value=None))) == "freezing level not known, so it is asked"
    ground = trigger(comparison="terrain", title="on glacier", value=None, threshold=None)
    assert say.trigger(ground) == "on glacier"
    dark = trigger(title="travel in the dark", unit="h", value=4.5, threshold=0.25, comparison="at-least")
    assert plain(say.trigger(dark)) == "travel in the dark 4 h 30 min, asked from 15 min"


@pytest.mark.parametrize(
    ("kinds", "table"),
    [
        (Grade, words.GRADES),
        (Grade, words.GRADE_MEANS),
        (GapKind, words.KINDS),
        (Standing, words.STANDINGS),
        (Known, words.KNOWN),
        (GearState, words.STATES),
        (Role, words.ROLES),
        (Zone, words.ZONES),
        (HoldKind, words.HOLDS),
        (Scope, words.SCOPES),
        (Terrain, words.TERRAINS),
        (Effort, words.EFFORTS),
    ],
)
def test_every_kind_has_its_words(kinds: type[StrEnum], table: dict[object, str]) -> None:
    assert set(table) == set(kinds)
    assert all(table.values())


def test_nothing_is_ever_called_safe() -> None:
    tables = (words.GRADES, words.GRADE_MEANS, words.STANDINGS, words.STATES, words.KINDS)
    assert not any("safe" in text.lower() for table in tables for text in table.values())
