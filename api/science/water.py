"""Water and fuel: where it boils, what melting costs, what treating takes.

Heat is a balance with round constants chosen to err on the safe side in the cold. Stove efficiency is the
caller's to enter: 30 to 60 % is what people reckon with (from memory), no publication stands behind it.
Arguments broadcast; NaN in, NaN out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from api.science.arrays import Flags, Floats, floats, within

ICE_KJPKGK = 2.1
MELTING_KJPKG = 333.55
WATER_KJPKGK = 4.186
"""Specific heats of ice and water and the heat of melting (CRC, IAPWS; ice as near 0 °C, a little high when
colder).
"""

BOIL_ABOVE_M = 2000.0
"""Height from which CDC asks for three minutes of boiling instead of one."""

CLOUDY_DOSE_FACTOR = 2.0
"""Iodine or chlorine in cloudy water: double the dose (WMS 2024, table 5)."""

IODINE_2PCT_DROPS_PER_L = 5.0
IODINE_2PCT_MINUTES = 30.0
"""Tincture of iodine in clear, not cold water (CDC-style advice)."""

CHLORINE_DIOXIDE_MINUTES = 30.0
CHLORINE_DIOXIDE_LONG_MINUTES = 240.0
"""Tablets; the long time for *Cryptosporidium* and for cold or dirty water. Product labels, from memory."""

MELT_ALL_G_PERSON_DAY = 150.0
STREAM_RUNS_G_PERSON_DAY = 60.0
"""Fuel a person and day to plan by: common practice, no published source."""


@dataclass(frozen=True)
class Fuel:
    """Lower heating value, MJ/kg, and boiling point at sea level, °C (None for a liquid fuel burnt under
    pump).
    """

    lower_heating_mjpkg: float
    boils_at_c: float | None
    source: str


_FORMATION = "from heats of formation (CRC)"
FUELS: dict[str, Fuel] = {
    "isobutane": Fuel(45.55, -11.75, _FORMATION),
    "n-butane": Fuel(45.72, -0.49, _FORMATION),
    "propane": Fuel(46.34, -42.11, _FORMATION),
    "white gas": Fuel(44.56, None, f"{_FORMATION}; n-heptane stands for it"),
    "ethanol": Fuel(26.82, None, _FORMATION),
}
"""Under its boiling point a gas fuel hardly leaves the canister; at height that point lies a few degrees
lower.
"""


@dataclass(frozen=True)
class Treatment:
    """Whether a treatment deals with *Cryptosporidium*: ``high``, ``low to moderate`` or ``none``."""

    cryptosporidium: str
    source: str


_CDC = "CDC, guide to water treatment in the backcountry"
TREATMENTS: dict[str, Treatment] = {
    "boiling": Treatment("high", _CDC),
    "filter, absolute 1 micron or finer": Treatment("high", _CDC),
    "chlorine dioxide": Treatment("low to moderate", _CDC),
    "iodine": Treatment("none", _CDC),
    "chlorine": Treatment("none", _CDC),
}

_TABLE_WATER_C = np.array([5.0, 15.0, 25.0])
_TABLE_DOSE_PPM = np.array([2.0, 4.0, 8.0])
_TABLE_MINUTES = np.array([[240.0, 180.0, 60.0], [180.0, 60.0, 30.0], [60.0, 45.0, 15.0]])


def boiling_point_c(pressure_hpa: ArrayLike) -> Floats:
    """Temperature at which water boils.

    Parameters
    ----------
    pressure_hpa : air pressure, hPa. Valid from 6.11213 (the triple point) to 220 640 (the critical point).

    Returns
    -------
    ndarray
        °C; NaN outside. Which pressure belongs to a height is the caller's choice and must be named with the
        result: at 5000 m the standard atmosphere gives 83.3 °C and West's equation, nearer to high mountains,
        84.1 °C.

    Source: IAPWS-IF97, backward equation of region 4 (saturation line).
    """
    pressure = floats(pressure_hpa)
    inside = (pressure >= 6.11213) & (pressure <= 220_640.0)
    beta = (np.where(inside, pressure, 1000.0) * 1e-4) ** 0.25
    e = beta**2 - 0.17073846940092e2 * beta + 0.14915108613530e2
    f = 0.11670521452767e4 * beta**2 + 0.12020824702470e5 * beta - 0.48232657361591e4
    g = -0.72421316703206e6 * beta**2 - 0.32325550322333e7 * beta + 0.40511340542057e6
    d = 2.0 * g / (-f - np.sqrt(f**2 - 4.0 * e * g))
    n9, n10 = -0.23855557567849, 0.65017534844798e3
    kelvin = 0.5 * (n10 + d - np.sqrt((n10 + d) ** 2 - 4.0 * (n9 + n10 * d)))
    return within(kelvin - 273.15, inside)


def melt_heat_kjpkg(snow_c: ArrayLike, water_c: ArrayLike) -> Floats:
    """Heat to turn 1 kg of dry snow into water of a temperature.

    Parameters: snow -40 to 0 °C, water 0 to 100 °C; NaN outside. Returns kJ/kg, without stove losses.
    Source: energy balance with the constants above.
    """
    snow, water = floats(snow_c), floats(water_c)
    inside = (snow >= -40.0) & (snow <= 0.0) & (water >= 0.0) & (water <= 100.0)
    return within(MELTING_KJPKG - ICE_KJPKGK * snow + WATER_KJPKGK * water, inside)


def warm_heat_kjpkg(from_c: ArrayLike, to_c: ArrayLike) -> Floats:
    """Heat to warm 1 kg of liquid water, kJ/kg, 0 to 100 °C and not downwards; NaN outside."""
    start, end = floats(from_c), floats(to_c)
    inside = (start >= 0.0) & (end <= 100.0) & (end >= start)
    return within(WATER_KJPKGK * (end - start), inside)


def water_heat_kj(
    cool_l: ArrayLike,
    boiled_l: ArrayLike,
    boiling_c: ArrayLike,
    *,
    snow_c: ArrayLike = -5.0,
    cool_to_c: ArrayLike = 10.0,
    from_snow: ArrayLike = True,
    stream_c: ArrayLike = 1.0,
) -> Floats:
    """Heat for a quantity of drinking water, part of it only melted, part boiled.

    Parameters
    ----------
    cool_l : litres needed cool, 0 up. From snow they are melted to ``cool_to_c``; from a stream they cost
        nothing.
    boiled_l : litres brought to the boil, 0 up.
    boiling_c : boiling point, °C, at most 100: see ``boiling_point_c``.
    snow_c, cool_to_c : snow, -40 to 0 °C, and what it is melted to, 0 to 100 °C.
    from_snow : true where all water is melted.
    stream_c : temperature of running water, 0 to 100 °C.

    Returns
    -------
    ndarray
        kJ into the water; a litre counts as a kilogram. NaN outside.
    """
    cool, boiled = floats(cool_l), floats(boiled_l)
    melted = cool * melt_heat_kjpkg(snow_c, cool_to_c) + boiled * melt_heat_kjpkg(snow_c, boiling_c)
    warmed = boiled * warm_heat_kjpkg(stream_c, boiling_c)
    heat = np.where(np.asarray(from_snow, dtype=bool), melted, warmed)
    return within(heat, (cool >= 0.0) & (boiled >= 0.0))


def fuel_g(heat_kj: ArrayLike, lower_heating_mjpkg: ArrayLike, efficiency: ArrayLike) -> Floats:
    """Fuel that brings this heat into the pot.

    Parameters: heat from 0 kJ; lower heating value above 0 MJ/kg (``FUELS``); efficiency above 0 to 1, as
    entered. Returns grams; NaN outside. Source: arithmetic; efficiency has no published value.
    """
    heat, value, share = floats(heat_kj), floats(lower_heating_mjpkg), floats(efficiency)
    inside = (heat >= 0.0) & (value > 0.0) & (share > 0.0) & (share <= 1.0)
    return within(heat / np.where(inside, value * share, 1.0), inside)


def planning_fuel_g(
    person_days: ArrayLike, all_melted: ArrayLike, reserve_person_days: ArrayLike = 0.0
) -> Floats:
    """Fuel by the planning line: 60 g a person and day where streams run, 150 g where all is melted.

    Reserve days count as melting days. Days from 0 up; NaN outside. Returns grams.
    Source: common practice, no published source.
    """
    days, reserve = floats(person_days), floats(reserve_person_days)
    melted: Flags = np.asarray(all_melted, dtype=bool)
    daily = np.where(melted, MELT_ALL_G_PERSON_DAY, STREAM_RUNS_G_PERSON_DAY)
    return within(days * daily + reserve * MELT_ALL_G_PERSON_DAY, (days >= 0.0) & (reserve >= 0.0))


def boil_minutes(height_m: ArrayLike) -> Floats:
    """Minutes of rolling boil that make water safe to drink: 1, above 2000 m 3. NaN for an unknown height.

    Source: CDC, Yellow Book 2024, water disinfection.
    """
    height = floats(height_m)
    return within(np.where(height > BOIL_ABOVE_M, 3.0, 1.0), np.isfinite(height))


def contact_minutes(water_c: ArrayLike, dose_ppm: ArrayLike) -> Floats:
    """Minutes iodine or chlorine must act.

    Parameters
    ----------
    water_c : water temperature, °C, from 5. Warmer than 25 counts as 25.
    dose_ppm : concentration, mg/L, from 2. Stronger than 8 counts as 8.

    Returns
    -------
    ndarray
        Minutes of the next colder and next weaker entry of the table: it is not convex everywhere, so a line
        drawn between two entries could be too short. NaN under 5 °C or 2 ppm, where the table says nothing:
        boil or filter. Cloudy water wants the double dose; *Cryptosporidium* is not killed at all.

    Source: Backer, recommended halogen contact times.
    """
    water, dose = np.broadcast_arrays(floats(water_c), floats(dose_ppm))
    inside = (water >= _TABLE_WATER_C[0]) & (dose >= _TABLE_DOSE_PPM[0])
    row = np.searchsorted(_TABLE_WATER_C, np.where(inside, water, 5.0), side="right") - 1
    column = np.searchsorted(_TABLE_DOSE_PPM, np.where(inside, dose, 2.0), side="right") - 1
    return within(_TABLE_MINUTES[row, column], inside)
