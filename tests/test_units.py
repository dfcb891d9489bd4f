"""Units: exact definitions, tolerant reading, honest refusals, round trips."""

from __future__ import annotations

import math
from contextlib import suppress

import pytest
from hypothesis import given
from hypothesis import strategies as st

from api.units import (
    SYSTEMS,
    UNITS,
    Kind,
    QuantityError,
    Unit,
    format_quantity,
    from_inside,
    parse_quantity,
    to_inside,
)

# International yard and pound agreement, 1959; nautical mile of 1929; NIST SP 811 (2008), appendix B.8.
DEFINITIONS = [
    (1, "ft", Kind.LENGTH, 0.3048),
    (1, "in", Kind.LENGTH, 0.0254),
    (1, "mi", Kind.LENGTH, 1609.344),
    (1, "lb", Kind.MASS, 0.45359237),
    (1, "oz", Kind.MASS, 0.028349523125),
    (1, "mph", Kind.SPEED, 0.44704),
    (3600, "kt", Kind.SPEED, 1852.0),
    (36, "km/h", Kind.SPEED, 10.0),
    (32, "°F", Kind.TEMPERATURE, 0.0),
    (212, "°F", Kind.TEMPERATURE, 100.0),
    (-40, "°F", Kind.TEMPERATURE, -40.0),
    (273.15, "K", Kind.TEMPERATURE, 0.0),
    (9, "°F", Kind.TEMPERATURE_CHANGE, 5.0),
    (1, "in", Kind.DEPTH, 25.4),
    (1, "qt", Kind.VOLUME, 0.946352946),
]


@pytest.mark.parametrize(("value", "unit", "kind", "inside"), DEFINITIONS)
def test_the_published_definitions_hold_to_the_last_digit(
    value: float, unit: str, kind: Kind, inside: float
) -> None:
    assert to_inside(value, unit, kind) == inside
    assert from_inside(inside, unit, kind) == value


@pytest.mark.parametrize("unit", UNITS, ids=lambda unit: f"{unit.kind}-{unit.symbol}")
@given(value=st.floats(-1e6, 1e6).map(lambda value: round(value, 3)))
def test_there_and_back_shows_what_was_written(unit: Unit, value: float) -> None:
    inside = to_inside(value, unit.symbol, unit.kind)
    assert from_inside(inside, unit.symbol, unit.kind) == pytest.approx(value, rel=4e-16, abs=2e-13)
    shown = format_quantity(inside, unit.symbol, unit.kind, places=3)
    assert parse_quantity(shown, unit.kind) == pytest.approx(inside, rel=4e-16, abs=2e-13)


@pytest.mark.parametrize(
    ("written", "kind", "inside"),
    [
        ("1200 ft", Kind.LENGTH, 365.76),
        ("1,200ft", Kind.LENGTH, 365.76),
        ("12,345.5 ft", Kind.LENGTH, 3762.9084),
        ("3 900 m", Kind.LENGTH, 3900.0),
        ("3\N{NARROW NO-BREAK SPACE}900\N{NO-BREAK SPACE}m", Kind.LENGTH, 3900.0),
        ("3'900 m", Kind.LENGTH, 3900.0),
        ("3900 M", Kind.LENGTH, 3900.0),
        ("\N{MINUS SIGN}5°C", Kind.TEMPERATURE, -5.0),
        ("-3,5 celsius", Kind.TEMPERATURE, -3.5),
        ("+4 c", Kind.TEMPERATURE, 4.0),
        ("15 °F", Kind.TEMPERATURE, -85 / 9),
        ("40 km/h", Kind.SPEED, 100 / 9),
        ("40kmh", Kind.SPEED, 100 / 9),
        ("30 knots", Kind.SPEED, 463 / 30),
        (".5 L", Kind.VOLUME, 0.5),
        ("5 ft 11 in", Kind.LENGTH, 1.8034),
        ("5'11\"", Kind.LENGTH, 1.8034),
        ("2 lb 3 oz", Kind.MASS, 0.992233309375),
        ("-1 ft 6 in", Kind.LENGTH, -0.4572),
        ("1 h 30 min", Kind.DURATION, 1.5),
    ],
)
def test_what_people_write_is_read(written: str, kind: Kind, inside: float) -> None:
    assert parse_quantity(written, kind) == pytest.approx(inside, rel=4e-16)


def test_a_bare_number_takes_the_fields_unit_only_where_there_is_one() -> None:
    assert parse_quantity("3,5", Kind.LENGTH, default_unit="m") == 3.5
    assert parse_quantity("10000", Kind.LENGTH, default_unit="ft") == 3048.0
    with pytest.raises(QuantityError, match="has no unit"):
        parse_quantity("3.5", Kind.LENGTH)


@pytest.mark.parametrize(
    ("written", "kind", "message", "remedy"),
    [
        ("", Kind.MASS, "Nothing was written.", "Write a number with a unit, for example 450 g."),
        ("light", Kind.MASS, "“light” cannot be read.", "for example 450 g"),
        ("12 parsec", Kind.LENGTH, "“parsec” is not a unit of length.", "Use one of: m, ft, km"),
        ("12 kg", Kind.LENGTH, "“kg” is not a unit of length.", "Use one of: m, ft, km"),
        ("1,200 g", Kind.MASS, "The comma in “1,200” could mean 1200 or 1.200.", "without the comma"),
        ("1.2.3 m", Kind.LENGTH, "“1.2.3” is not a number.", "at most one decimal point"),
        ("5 m 3 m", Kind.LENGTH, "“5 m 3 m” cannot be read as one length.", "for example 3900 m"),
        ("3 in 5 ft", Kind.LENGTH, "“3 in 5 ft” cannot be read as one length.", "for example 3900 m"),
        ("3000-4000 m", Kind.LENGTH, "“3000-4000 m” has no unit.", "for example 3900 m"),
        ("5 °C 3 K", Kind.TEMPERATURE, "“5 °C 3 K” cannot be read as one temperature.", "-5 °C"),
        ("1e3 m", Kind.LENGTH, "“e” is not a unit of length.", "Use one of: m, ft, km"),
        ("NaN m", Kind.LENGTH, "“NaN m” cannot be read.", "for example 3900 m"),
    ],
)
def test_what_cannot_be_read_is_refused_with_field_value_and_remedy(
    written: str, kind: Kind, message: str, remedy: str
) -> None:
    with pytest.raises(QuantityError) as caught:
        parse_quantity(written, kind, field="freezing_level")
    assert caught.value.field == "freezing_level"
    assert caught.value.message == message
    assert remedy in caught.value.remedy


@given(st.text(max_size=30))
def test_any_text_is_read_or_refused_and_never_crashes(written: str) -> None:
    inside = 0.0
    with suppress(QuantityError):
        inside = parse_quantity(written, Kind.LENGTH, default_unit="m")
    assert math.isfinite(inside)


def test_what_is_not_known_is_shown_as_unknown() -> None:
    assert format_quantity(math.nan, "ft", Kind.LENGTH) == "unknown"
    with pytest.raises(QuantityError, match="not a finite number"):
        to_inside(math.inf, "m", Kind.LENGTH)


def test_numbers_are_shown_with_a_true_minus_and_never_as_minus_zero() -> None:
    assert format_quantity(-5, "°C", Kind.TEMPERATURE) == "\N{MINUS SIGN}5\N{NO-BREAK SPACE}°C"
    assert format_quantity(-0.2, "°C", Kind.TEMPERATURE) == "0\N{NO-BREAK SPACE}°C"
    assert format_quantity(365.76, "ft", Kind.LENGTH) == "1200\N{NO-BREAK SPACE}ft"


@pytest.mark.parametrize("system", SYSTEMS)
def test_each_system_has_a_unit_for_every_kind(system: str) -> None:
    for kind in Kind:
        assert format_quantity(1.0, SYSTEMS[system][kind], kind, places=2).endswith(SYSTEMS[system][kind])
