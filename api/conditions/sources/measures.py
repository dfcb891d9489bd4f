"""Units as forecasts write them, and what a number can be: everything becomes SI here or is left out."""

from __future__ import annotations

from dataclasses import dataclass, field
from types import MappingProxyType

import numpy as np
import numpy.typing as npt

from api.conditions import variables as cf
from api.conditions.series import Cell, Datum, Floats, Ints, Series

Conversion = tuple[float, float]
"""SI value = written value * factor + offset."""

_SAME: Conversion = (1.0, 0.0)
_TEMPERATURE = {
    "k": _SAME,
    "kelvin": _SAME,
    "°c": (1.0, 273.15),
    "degc": (1.0, 273.15),
    "cel": (1.0, 273.15),
    "c": (1.0, 273.15),
    "celsius": (1.0, 273.15),
    "degrees_celsius": (1.0, 273.15),
    "°f": (5.0 / 9.0, 459.67 * 5.0 / 9.0),
    "degf": (5.0 / 9.0, 459.67 * 5.0 / 9.0),
    "[degf]": (5.0 / 9.0, 459.67 * 5.0 / 9.0),
    "fahrenheit": (5.0 / 9.0, 459.67 * 5.0 / 9.0),
}
_SPEED = {
    **dict.fromkeys(("m/s", "m s-1", "ms-1", "m_s-1", "m.s-1", "metre per second"), _SAME),
    **dict.fromkeys(("km/h", "km_h-1", "km h-1", "kmh"), (1.0 / 3.6, 0.0)),
    **dict.fromkeys(("kt", "kts", "kn", "knot", "knots", "[kn_i]"), (1852.0 / 3600.0, 0.0)),
    **dict.fromkeys(("mph", "mp/h", "mi/h", "[mi_i]/h"), (0.44704, 0.0)),
}
_LENGTH = {
    **dict.fromkeys(("m", "metre", "meter", "gpm"), _SAME),
    **dict.fromkeys(("ft", "[ft_i]", "feet", "foot"), (0.3048, 0.0)),
    "km": (1000.0, 0.0),
    "cm": (0.01, 0.0),
    "mm": (0.001, 0.0),
    **dict.fromkeys(("in", "inch", "inches", "[in_i]"), (0.0254, 0.0)),
}
_WATER = {
    **dict.fromkeys(("kg m-2", "kg/m2", "kg m^-2", "kg.m-2", "mm", "l/m2"), _SAME),
    "cm": (10.0, 0.0),
    "m": (1000.0, 0.0),
    **dict.fromkeys(("in", "inch", "inches", "[in_i]"), (25.4, 0.0)),
}
_SHARE = {
    **dict.fromkeys(("1", "fraction"), _SAME),
    **dict.fromkeys(("%", "percent"), (0.01, 0.0)),
}
_ANGLE = dict.fromkeys(("degree", "degrees", "deg", "°", "degree_(angle)"), _SAME)
_PLAIN = dict.fromkeys(("1", "", "index"), _SAME)
_ENERGY = dict.fromkeys(("j kg-1", "j/kg"), _SAME)
_PRESSURE = {
    "pa": _SAME,
    **dict.fromkeys(("hpa", "mbar", "millibar", "mb"), (100.0, 0.0)),
    "kpa": (1000.0, 0.0),
}
_OF_SI = {
    "K": _TEMPERATURE,
    "m s-1": _SPEED,
    "m": _LENGTH,
    "kg m-2": _WATER,
    "degree": _ANGLE,
    "J kg-1": _ENERGY,
}
_SHARES = frozenset(
    {"relative_humidity", "cloud_area_fraction", "thunderstorm_probability", "x_probability_of_precipitation"}
)
_PREFIXES = ("wmounit:", "wmo:", "unit:", "nwsunit:", "uc:")

CODES_FOR_MISSING = frozenset({-9999.0, -99999.0, -999.0, 99999.0, 999999.0, -100000.0})
"""What services and files write where there is no value."""
LARGEST = 1e15
"""Beyond it a number is a fill value, such as the 9.96921e36 of netCDF."""


def tidy(unit: str) -> str:
    """A unit's name with look-alike degree signs and name-space prefixes put right, in lower case.

    Services write U+02DA RING ABOVE, U+00BA and U+2103 for the degree sign.
    """
    text = unit.strip().replace("\u02da", "°").replace("\u00ba", "°").replace("\u2103", "°C").lower()
    for prefix in _PREFIXES:
        text = text.removeprefix(prefix)
    return "°" + text[1:].strip() if text.startswith("°") else text


def conversion(name: str, unit: str) -> Conversion | None:
    """How values of a variable written in `unit` become SI; None for a unit it cannot have."""
    si = cf.SI_UNITS[name]
    table = _OF_SI.get(si) or (_SHARE if name in _SHARES else _PLAIN)
    return table.get(tidy(unit))


def understood(name: str) -> str:
    """Units a variable may be written in, for people."""
    si = cf.SI_UNITS[name]
    examples = {
        "K": "K, °C, °F",
        "m s-1": "m/s, km/h, kt, mph",
        "m": "m, cm, mm, ft, in",
        "kg m-2": "mm, kg/m2, cm, in",
        "degree": "deg",
        "J kg-1": "J/kg",
    }
    return examples.get(si, "1, %" if name in _SHARES else "1")


def level_conversion(unit: str) -> tuple[str, Conversion] | None:
    """Whether levels in `unit` are pressures or altitudes, and how they become Pa or m."""
    written = tidy(unit)
    if written in _PRESSURE:
        return "pressure", _PRESSURE[written]
    if written in ("m", "metre", "meter", "gpm", "km", "ft", "[ft_i]"):
        return "altitude", _LENGTH[written]
    return None


def to_si(values: npt.ArrayLike, how: Conversion) -> Floats:
    """Values in SI, with codes for "missing" as NaN: they are no numbers, in no unit."""
    written = np.array(values, dtype=np.float64)
    missing = np.isin(written, list(CODES_FOR_MISSING)) | ~(np.abs(written) < LARGEST)
    written[missing] = np.nan
    factor, offset = how
    converted: Floats = written * factor + offset
    return converted


@dataclass(slots=True)
class Collected:
    """Series as they are found, with what had to be left out."""

    series: dict[str, Series] = field(default_factory=dict)
    warnings: list[str] = field(default_factory=list)

    def add(
        self,
        name: str,
        values: Floats,
        cell: Cell = "instant",
        bounds: Ints | None = None,
        *,
        above_ground_m: float | None = None,
        datum: Datum | None = None,
    ) -> None:
        """Keep a variable in SI. What cannot be is left out with a warning; one without any value is too."""
        if name in self.series:
            return
        sound = self._plausible(name, values)
        if np.isnan(sound).all():
            return
        if bounds is not None:
            empty = np.isnan(sound.reshape(sound.shape[0], sound.shape[1], -1)).all(axis=(0, 2))
            bounds = bounds.copy()
            bounds[empty, 1] = bounds[empty, 0]
        if name in cf.NEEDS_DATUM and datum is None:
            datum = "geoid"
        self.series[name] = Series(name, sound, cell, bounds, datum, above_ground_m)

    def _plausible(self, name: str, values: Floats) -> Floats:
        lowest, highest = cf.PLAUSIBLE.get(name, (-1e9, 1e9))
        odd = (values < lowest) | (values > highest)
        if not odd.any():
            return values
        self.warnings.append(
            f"{words(name)}: {int(odd.sum())} of {values.size} values were left out as impossible, "
            f"the first {values[odd][0]:g} {cf.SI_UNITS[name]}."
        )
        return np.where(odd, np.nan, values)


def words(name: str) -> str:
    """A variable as people call it."""
    return WORDS.get(name, name.removeprefix("x_").replace("_", " ").capitalize())


WORDS = MappingProxyType(
    {
        cf.FREEZING_LEVEL: "Freezing level",
        cf.TEMPERATURE: "Air temperature",
        cf.WIND: "Wind",
        cf.WIND_DIRECTION: "Wind direction",
        cf.GUST: "Gusts",
        cf.LEVEL_HEIGHT: "Height of the levels",
        cf.PRECIPITATION: "Precipitation",
        cf.NEW_SNOW: "New snow",
        cf.UV_CLEAR_SKY: "UV index under a clear sky",
        cf.UV: "UV index",
        cf.THUNDER: "Thunder",
        "x_snow_level_altitude": "Snow level",
        "x_probability_of_precipitation": "Chance of precipitation",
    }
)


def hours_before(times: Ints, hours: int = 1) -> Ints:
    """Bounds of values that stand for the hours before each time."""
    return np.stack([times - hours * 3600, times], axis=1)


def block_lengths(times: Ints, longest_s: int) -> Ints:
    """Seconds from each time to the next, at most `longest_s`; 0 after the last."""
    lengths: Ints = np.minimum(np.append(np.diff(times), 0), longest_s)
    return lengths
