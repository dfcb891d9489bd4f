"""Quantities as an edition writes them, read in the unit of the metric or question they are held against."""

import re
from functools import lru_cache

from api.units import Kind, QuantityError, from_inside, parse_quantity

_KINDS: dict[str, Kind] = {
    "m": Kind.LENGTH,
    "°C": Kind.TEMPERATURE,
    "m/s": Kind.SPEED,
    "km/h": Kind.SPEED,
    "mm": Kind.DEPTH,
    "cm": Kind.DEPTH,
    "h": Kind.DURATION,
    "min": Kind.DURATION,
    "g": Kind.MASS,
    "kg": Kind.MASS,
    "L": Kind.VOLUME,
    "mL": Kind.VOLUME,
}
KNOWN_UNITS = frozenset({*_KINDS, "1", "%", "hPa"})
"""Units that a question may ask in."""

_BARE = re.compile(r"^\s*([+-]?\d+(?:\.\d+)?)\s*(.*?)\s*$")


@lru_cache(maxsize=4096)
def in_unit(quantity: str, unit: str, *, difference: bool = False) -> float:
    """A written quantity as a number in `unit`.

    Parameters
    ----------
    quantity
        A number with its unit, such as `3600 m` or `-20 °C`; a bare number where `unit` has no other (`1`,
        `%`, `hPa`).
    unit
        The unit of the metric or question.
    difference
        True for offsets and margins: 5 K and 5 °C are then the same, 9 °F are 5.

    Raises
    ------
    QuantityError
        When it is no number, or its unit does not fit.
    """
    kind = _KINDS.get(unit)
    if kind is None:
        return _bare(quantity, unit)
    if kind is Kind.TEMPERATURE and difference:
        kind = Kind.TEMPERATURE_CHANGE
    inside = parse_quantity(quantity.lstrip("+"), kind, default_unit=None)
    return from_inside(inside, unit, kind)


def _bare(quantity: str, unit: str) -> float:
    found = _BARE.match(quantity)
    if found is None or found[2] not in ("", unit):
        wanted = "a number without a unit" if unit == "1" else f"a number in {unit}"
        raise QuantityError("value", quantity, f"{quantity} is not {wanted}.", f"Write {wanted}.")
    return float(found[1])
