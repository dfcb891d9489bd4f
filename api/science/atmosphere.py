"""Standard atmosphere and pressure at altitude.

Two heights, never mixed: *geopotential* height is what the standard's equations and weather models'
level heights use; *geometric* height, called elevation here, is what a map or a satellite receiver
shows. They give pressures 0.28 hPa apart at 5000 m. Two atmospheres, never mixed either: the standard
atmosphere is about 18 Torr too low on the highest summits, where West's equation follows what was
measured. Every function says in its name which it takes and gives.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from .arrays import Flags, Floats, floats, plain, within

EARTH_RADIUS_M = 6_356_766.0
GRAVITY_MPS2 = 9.80665
GAS_CONSTANT_J_PER_KMOL_K = 8314.32
MOLAR_MASS_KG_PER_KMOL = 28.9644
SEA_LEVEL_TEMPERATURE_K = 288.15
SEA_LEVEL_PRESSURE_PA = 101_325.0
LAPSE_K_PER_M = 0.0065
ZERO_C_IN_K = 273.15
PA_PER_TORR = 101_325.0 / 760.0

LOWEST_M = -5_000.0
TROPOPAUSE_M = 11_000.0
WEST_HIGHEST_M = 9_000.0

_GAS_CONSTANT_AIR = GAS_CONSTANT_J_PER_KMOL_K / MOLAR_MASS_KG_PER_KMOL
_EXPONENT = GRAVITY_MPS2 / (_GAS_CONSTANT_AIR * LAPSE_K_PER_M)


def geopotential_height_m(elevation_m: ArrayLike) -> Floats:
    """Geopotential height of a geometric elevation.

    Parameters
    ----------
    elevation_m
        Geometric height above mean sea level, m. Any shape.

    Returns
    -------
    Geopotential height, m. NaN at or below the centre of the Earth.

    Notes
    -----
    H = r z / (r + z) with r = 6 356 766 m. Source: U.S. Standard Atmosphere 1976.
    """
    z = floats(elevation_m)
    with np.errstate(divide="ignore", invalid="ignore"):
        return within(EARTH_RADIUS_M * z / (EARTH_RADIUS_M + z), z > -EARTH_RADIUS_M)


def elevation_from_geopotential_m(geopotential_m: ArrayLike) -> Floats:
    """Geometric elevation of a geopotential height: the inverse of `geopotential_height_m`.

    Parameters
    ----------
    geopotential_m
        Geopotential height, m. Any shape.

    Returns
    -------
    Geometric height above mean sea level, m. NaN for heights no elevation has (r and above).

    Notes
    -----
    z = r H / (r - H) with r = 6 356 766 m. Source: U.S. Standard Atmosphere 1976.
    """
    h = floats(geopotential_m)
    with np.errstate(divide="ignore", invalid="ignore"):
        return within(EARTH_RADIUS_M * h / (EARTH_RADIUS_M - h), h < EARTH_RADIUS_M)


def standard_temperature_k(geopotential_m: ArrayLike) -> Floats:
    """Temperature of the standard atmosphere at a *geopotential* height.

    Parameters
    ----------
    geopotential_m
        Geopotential height, m. Valid -5000 to 11 000 m (the troposphere).

    Returns
    -------
    Temperature, K; NaN outside the valid range.

    Notes
    -----
    T = 288.15 - 0.0065 H. Source: U.S. Standard Atmosphere 1976 = ICAO Doc 7488 = ISO 2533 below 32 km.
    """
    h = floats(geopotential_m)
    return within(SEA_LEVEL_TEMPERATURE_K - LAPSE_K_PER_M * h, _in_troposphere(h))


def standard_pressure_pa(geopotential_m: ArrayLike) -> Floats:
    """Pressure of the standard atmosphere at a *geopotential* height.

    Parameters
    ----------
    geopotential_m
        Geopotential height, m. Valid -5000 to 11 000 m.

    Returns
    -------
    Pressure, Pa; NaN outside the valid range.

    Notes
    -----
    P = 101 325 (T / 288.15)^5.25588 Pa. Source: U.S. Standard Atmosphere 1976 = ICAO Doc 7488 = ISO 2533
    below 32 km. Too low on high mountains: 265 Torr at 8050 m where 283.6 Torr was measured; see
    `west_pressure_pa`.
    """
    ratio = standard_temperature_k(geopotential_m) / SEA_LEVEL_TEMPERATURE_K
    return plain(SEA_LEVEL_PRESSURE_PA * ratio**_EXPONENT)


def standard_density_kg_m3(geopotential_m: ArrayLike) -> Floats:
    """Air density of the standard atmosphere at a *geopotential* height.

    Parameters
    ----------
    geopotential_m
        Geopotential height, m. Valid -5000 to 11 000 m.

    Returns
    -------
    Density, kg/m3; NaN outside the valid range.

    Notes
    -----
    Ideal gas law on `standard_pressure_pa` and `standard_temperature_k`; same source.
    """
    temperature_k = standard_temperature_k(geopotential_m)
    return plain(standard_pressure_pa(geopotential_m) / (_GAS_CONSTANT_AIR * temperature_k))


def standard_temperature_at_elevation_k(elevation_m: ArrayLike) -> Floats:
    """`standard_temperature_k`, K, at a *geometric* elevation in m; same range and source."""
    return standard_temperature_k(geopotential_height_m(elevation_m))


def standard_pressure_at_elevation_pa(elevation_m: ArrayLike) -> Floats:
    """`standard_pressure_pa`, Pa, at a *geometric* elevation in m; same range and source."""
    return standard_pressure_pa(geopotential_height_m(elevation_m))


def standard_density_at_elevation_kg_m3(elevation_m: ArrayLike) -> Floats:
    """`standard_density_kg_m3`, kg/m3, at a *geometric* elevation in m; same range and source."""
    return standard_density_kg_m3(geopotential_height_m(elevation_m))


def standard_geopotential_m(pressure_pa: ArrayLike) -> Floats:
    """Geopotential height at which the standard atmosphere has this pressure: its pressure altitude.

    Parameters
    ----------
    pressure_pa
        Pressure, Pa. Valid about 22 632 Pa (11 000 m) to 177 687 Pa (-5000 m).

    Returns
    -------
    Geopotential height, m; NaN outside the valid range.

    Notes
    -----
    The inverse of `standard_pressure_pa`; same source. The true height of a pressure level differs from
    it by up to some hundred metres with the weather, so use a forecast's own level heights where it has
    them.
    """
    p = floats(pressure_pa)
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.where(p > 0.0, p / SEA_LEVEL_PRESSURE_PA, np.nan)
    h = SEA_LEVEL_TEMPERATURE_K / LAPSE_K_PER_M * (1.0 - ratio ** (1.0 / _EXPONENT))
    # A micrometre of slack: the ends of the range must survive the round trip through a power.
    return within(h, (h >= LOWEST_M - 1e-6) & (h <= TROPOPAUSE_M + 1e-6))


def west_pressure_pa(elevation_m: ArrayLike) -> Floats:
    """Barometric pressure expected on a high mountain (West's equation).

    Parameters
    ----------
    elevation_m
        Elevation above mean sea level, m. Valid 0 to 9000 m.

    Returns
    -------
    Pressure, Pa; NaN outside the valid range.

    Notes
    -----
    PB = exp(6.63268 - 0.1112 h - 0.00149 h^2) Torr, h in km. West JB, Prediction of barometric pressures
    at high altitudes with the use of model atmospheres, J Appl Physiol 81 (1996) 1850-1854. Made for
    mountains between about 30 degrees north and south; within 4.4 Torr of the pressures measured on
    Everest in October 1981 (West et al. 1983). Polar mountains and winter have lower pressures than it
    says.
    """
    z = floats(elevation_m)
    km = z / 1000.0
    pressure_pa = PA_PER_TORR * np.exp(6.63268 - 0.1112 * km - 0.00149 * km**2)
    return within(pressure_pa, (z >= 0.0) & (z <= WEST_HIGHEST_M))


def _in_troposphere(geopotential_m: Floats) -> Flags:
    return (geopotential_m >= LOWEST_M) & (geopotential_m <= TROPOPAUSE_M)
