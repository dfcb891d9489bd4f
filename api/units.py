"""People's units at the edge, SI inside.

Inside, lengths are metres, speeds metres a second, masses kilograms, temperatures degrees Celsius, water and
new snow millimetres, volumes litres, durations hours. Factors are the exact definitions (international yard
and pound of 1959: 1 ft = 0.3048 m, 1 lb = 0.45359237 kg; knot = 1852 m/h; NIST SP 811, appendix B).
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction


class Kind(StrEnum):
    """What is measured. Units of different kinds never convert into each other."""

    TEMPERATURE = "temperature"
    TEMPERATURE_CHANGE = "temperature change"
    LENGTH = "length"
    DEPTH = "depth of rain or snow"
    SPEED = "speed"
    MASS = "mass"
    VOLUME = "volume"
    DURATION = "duration"


@dataclass(frozen=True)
class Unit:
    """``inside = value * factor + offset``, exactly."""

    kind: Kind
    symbol: str
    factor: Fraction
    offset: Fraction = Fraction(0)
    also: tuple[str, ...] = ()


def _unit(kind: Kind, symbol: str, factor: str, *also: str, offset: str = "0") -> Unit:
    return Unit(kind, symbol, Fraction(factor), Fraction(offset), also)


_FIVE_NINTHS = "5/9"
UNITS: tuple[Unit, ...] = (
    _unit(Kind.TEMPERATURE, "°C", "1", "c", "celsius", "degc"),
    _unit(Kind.TEMPERATURE, "°F", _FIVE_NINTHS, "f", "fahrenheit", "degf", offset="-160/9"),
    _unit(Kind.TEMPERATURE, "K", "1", "k", "kelvin", offset="-273.15"),
    _unit(Kind.TEMPERATURE_CHANGE, "°C", "1", "c", "k", "celsius", "kelvin"),
    _unit(Kind.TEMPERATURE_CHANGE, "°F", _FIVE_NINTHS, "f", "fahrenheit"),
    _unit(Kind.LENGTH, "m", "1", "metre", "metres", "meter", "meters", "masl", "m.a.s.l."),
    _unit(Kind.LENGTH, "ft", "0.3048", "feet", "foot", "'", "′"),
    _unit(Kind.LENGTH, "km", "1000", "kilometre", "kilometres", "kilometer", "kilometers"),
    _unit(Kind.LENGTH, "mi", "1609.344", "mile", "miles"),
    _unit(Kind.LENGTH, "cm", "0.01", "centimetre", "centimetres"),
    _unit(Kind.LENGTH, "mm", "0.001", "millimetre", "millimetres"),
    _unit(Kind.LENGTH, "in", "0.0254", "inch", "inches", '"', "″"),
    _unit(Kind.DEPTH, "mm", "1", "millimetre", "millimetres", "l/m2", "l/m²"),
    _unit(Kind.DEPTH, "cm", "10", "centimetre", "centimetres"),
    _unit(Kind.DEPTH, "in", "25.4", "inch", "inches", '"', "″"),
    _unit(Kind.SPEED, "m/s", "1", "mps", "ms-1"),
    _unit(Kind.SPEED, "km/h", "5/18", "kmh", "kph", "kmph"),
    _unit(Kind.SPEED, "mph", "0.44704", "mi/h"),
    _unit(Kind.SPEED, "kt", "463/900", "kts", "kn", "knot", "knots"),
    _unit(Kind.MASS, "kg", "1", "kilo", "kilos", "kilogram", "kilograms"),
    _unit(Kind.MASS, "g", "0.001", "gram", "grams", "gr"),
    _unit(Kind.MASS, "lb", "0.45359237", "lbs", "pound", "pounds"),
    _unit(Kind.MASS, "oz", "0.028349523125", "ounce", "ounces"),
    _unit(Kind.VOLUME, "L", "1", "l", "litre", "litres", "liter", "liters"),
    _unit(Kind.VOLUME, "mL", "0.001", "ml", "millilitre", "millilitres"),
    _unit(Kind.VOLUME, "qt", "0.946352946", "quart", "quarts"),
    _unit(Kind.DURATION, "h", "1", "hr", "hrs", "hour", "hours"),
    _unit(Kind.DURATION, "min", "1/60", "minute", "minutes"),
    _unit(Kind.DURATION, "d", "24", "day", "days"),
)

_BY_NAME: dict[tuple[Kind, str], Unit] = {
    (unit.kind, name): unit for unit in UNITS for name in (unit.symbol, unit.symbol.lower(), *unit.also)
}

METRIC: dict[Kind, str] = {
    Kind.TEMPERATURE: "°C",
    Kind.TEMPERATURE_CHANGE: "°C",
    Kind.LENGTH: "m",
    Kind.DEPTH: "mm",
    Kind.SPEED: "km/h",
    Kind.MASS: "kg",
    Kind.VOLUME: "L",
    Kind.DURATION: "h",
}
US: dict[Kind, str] = {
    **METRIC,
    Kind.TEMPERATURE: "°F",
    Kind.TEMPERATURE_CHANGE: "°F",
    Kind.LENGTH: "ft",
    Kind.DEPTH: "in",
    Kind.SPEED: "mph",
    Kind.MASS: "lb",
    Kind.VOLUME: "qt",
}
SYSTEMS: dict[str, dict[Kind, str]] = {"metric": METRIC, "us": US}

_MINUS = "\N{MINUS SIGN}"
_NBSP = "\N{NO-BREAK SPACE}"
_SPACES = re.compile("[\\s\N{NO-BREAK SPACE}\N{NARROW NO-BREAK SPACE}\N{THIN SPACE}]+")
_NUMBER = r"[+-]?(?:\d+(?:[ '’]\d{3})+|\d+(?:,\d{3})+(?=\.)|\d+)?(?:[.,]\d+)*"
_PART = re.compile(rf"(?P<number>{_NUMBER}) ?(?P<unit>[^\d\s+,.-][^\d\s]*(?:-1|²|2)?)?")


class QuantityError(ValueError):
    """A quantity that cannot be read: names the field, the value and the remedy."""

    def __init__(self, field: str, value: object, message: str, remedy: str) -> None:
        super().__init__(message)
        self.field = field
        self.value = value
        self.message = message
        self.remedy = remedy


def unit_named(name: str, kind: Kind, *, field: str = "unit") -> Unit:
    """The unit of ``kind`` called ``name``. Raises QuantityError that lists what is understood."""
    wanted = _SPACES.sub("", name)
    for candidate in (wanted, wanted.lower(), wanted.lower().replace("°", "").replace("º", "")):
        unit = _BY_NAME.get((kind, candidate))
        if unit is not None:
            return unit
    raise QuantityError(field, name, f"“{name}” is not a unit of {kind}.", f"Use one of: {understood(kind)}.")


def understood(kind: Kind) -> str:
    """The units of ``kind``, for people: 'm, ft, km'."""
    return ", ".join(unit.symbol for unit in UNITS if unit.kind is kind)


def to_inside(value: float, unit: str, kind: Kind, *, field: str = "value") -> float:
    """Convert from ``unit`` to the unit used inside for ``kind``, rounded once."""
    if not math.isfinite(value):
        raise QuantityError(field, value, f"{value} is not a finite number.", "Write an ordinary number.")
    found = unit_named(unit, kind, field=field)
    return float(_as_written(value) * found.factor + found.offset)


def from_inside(value: float, unit: str, kind: Kind) -> float:
    """Convert from the unit used inside for ``kind`` to ``unit``, rounded once. NaN stays NaN."""
    if not math.isfinite(value):
        return value
    found = unit_named(unit, kind)
    return float((_as_written(value) - found.offset) / found.factor)


def _as_written(value: float) -> Fraction:
    """The decimal that a float stands for: 25.4 is 254/10 here, not the binary number nearest to it."""
    return Fraction(str(float(value)))


def parse_quantity(text: str, kind: Kind, *, field: str = "value", default_unit: str | None = None) -> float:
    """Read what a person wrote, such as '1200 ft', '3 900 m', '−5°C', '5 ft 11 in', as a number in the unit
    used inside.

    Parameters
    ----------
    text : a number with a unit; several parts of falling size add up, as in '2 lb 3 oz'.
    kind : what is measured.
    field : name of the field, for the error.
    default_unit : unit of a number written without one; None demands a unit.

    Raises
    ------
    QuantityError
        When there is no number, an unknown unit, a missing one, or a comma that could mean two things.
    """
    cleaned = _SPACES.sub(" ", text.replace(_MINUS, "-").replace("–", "-")).strip()
    sign = -1 if cleaned.startswith("-") else 1
    total = Fraction(0)
    last: Unit | None = None
    at = 0
    while at < len(cleaned) or last is None:
        part = _PART.match(cleaned, at)
        if part is None or not any(char.isdigit() for char in part["number"]):
            raise _unreadable(field, text, kind, "cannot be read")
        name = part["unit"] or (default_unit if last is None else None)
        if name is None:
            raise _unreadable(field, text, kind, "has no unit")
        unit = unit_named(name, kind, field=field)
        number = _number(part["number"], text, kind, field) * unit.factor + unit.offset
        if last is None:
            total = number
        elif unit.factor < last.factor and kind is not Kind.TEMPERATURE and part["number"][0] not in "+-":
            total += sign * number
        else:
            raise _unreadable(field, text, kind, f"cannot be read as one {kind}")
        last = unit
        at = part.end()
        at += len(cleaned[at:]) - len(cleaned[at:].lstrip(" "))
    return float(total)


def _unreadable(field: str, text: str, kind: Kind, what: str) -> QuantityError:
    message = f"“{text.strip()}” {what}." if text.strip() else "Nothing was written."
    remedy = f"Write a number with a unit, for example {_EXAMPLES[kind]}. Understood: {understood(kind)}."
    return QuantityError(field, text, message, remedy)


_EXAMPLES = {
    Kind.TEMPERATURE: "-5 °C",
    Kind.TEMPERATURE_CHANGE: "3 °C",
    Kind.LENGTH: "3900 m",
    Kind.DEPTH: "12 mm",
    Kind.SPEED: "40 km/h",
    Kind.MASS: "450 g",
    Kind.VOLUME: "1 L",
    Kind.DURATION: "6 h",
}


def _number(written: str, text: str, kind: Kind, field: str) -> Fraction:
    """The exact value of a number with spaces, apostrophes or commas in it."""
    plain = re.sub(r"[ '’]", "", written)
    if "," in plain:
        plain = _without_comma(plain, text, kind, field)
    try:
        return Fraction(plain)
    except ValueError:
        raise QuantityError(
            field,
            text,
            f"“{written}” is not a number.",
            "Write it with digits and at most one decimal point.",
        ) from None


def _without_comma(plain: str, text: str, kind: Kind, field: str) -> str:
    grouped = re.fullmatch(r"[+-]?[1-9]\d{0,2}(,\d{3})+(\.\d+)?", plain)
    if grouped and (kind is Kind.LENGTH or plain.count(",") > 1 or "." in plain):
        return plain.replace(",", "")
    if grouped:
        without, point = plain.replace(",", ""), plain.replace(",", ".")
        raise QuantityError(
            field,
            text,
            f"The comma in “{plain}” could mean {without} or {point}.",
            "Write it without the comma.",
        )
    return plain.replace(",", ".")


def format_number(value: float, places: int = 0) -> str:
    """A number for people: fixed places, a true minus sign, no minus before zero."""
    if not math.isfinite(value):
        return "unknown"
    written = f"{value:.{places}f}"
    if float(written) == 0:
        written = written.lstrip("-")
    return written.replace("-", _MINUS)


def format_quantity(value: float, unit: str, kind: Kind, places: int = 0) -> str:
    """``value`` (in the unit used inside) in people's ``unit``: '3900 m', '−5 °C'; 'unknown' when not
    finite.
    """
    number = format_number(from_inside(value, unit, kind), places)
    return number if number == "unknown" else f"{number}{_NBSP}{unit_named(unit, kind).symbol}"
