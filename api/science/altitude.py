"""Oxygen and acclimatisation: inspired oxygen, expected saturation, symptom score, risk table, sleeping
heights.

Context for a guide, no diagnosis. Whatever is not known is answered as unknown (None or `UNKNOWN`),
never as fine.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import ArrayLike

from .arrays import Floats, floats, within
from .atmosphere import PA_PER_TORR, standard_pressure_pa, west_pressure_pa

OXYGEN_SHARE = 0.2093
WATER_VAPOUR_PA = 47.0 * PA_PER_TORR

SPO2_HIGHEST_UNACCLIMATISED_M = 4164.0
SPO2_LOWEST_MOUNTAINEERS_M = 1500.0
SPO2_HIGHEST_MOUNTAINEERS_M = 7000.0
SPO2_SPREAD_POINTS = 8.0
"""Roughly how far healthy people lie from the mean on either side: context, never a pass or fail line."""

HOURS_BEFORE_SCORE = 6.0


def inspired_oxygen_pa(pressure_pa: ArrayLike) -> Floats:
    """Oxygen pressure of moistened inspired air.

    Parameters
    ----------
    pressure_pa
        Barometric pressure, Pa, at least the water vapour pressure in the airways (47 Torr, 6266 Pa).

    Returns
    -------
    Oxygen pressure, Pa; NaN below and for NaN.

    Notes
    -----
    PIO2 = 0.2093 (PB - 47 Torr): standard relation of respiratory physiology, e.g. West, High Altitude
    Medicine and Physiology. Some authors use 0.2095 or 0.21.
    """
    pressure = floats(pressure_pa)
    return within(OXYGEN_SHARE * (pressure - WATER_VAPOUR_PA), pressure >= WATER_VAPOUR_PA)


def inspired_oxygen_west_pa(elevation_m: ArrayLike) -> Floats:
    """Inspired oxygen pressure, Pa, at a mountain elevation of 0 to 9000 m (NaN outside), by
    `west_pressure_pa`."""
    return inspired_oxygen_pa(west_pressure_pa(elevation_m))


def inspired_oxygen_standard_pa(geopotential_m: ArrayLike) -> Floats:
    """Inspired oxygen pressure, Pa, of the standard atmosphere at a *geopotential* height
    (`standard_pressure_pa`).

    Too low on high mountains, where `inspired_oxygen_west_pa` follows what was measured.
    """
    return inspired_oxygen_pa(standard_pressure_pa(geopotential_m))


def expected_spo2_mountaineers(elevation_m: ArrayLike, women: ArrayLike = False) -> Floats:
    """Mean saturation pulse oximeters showed on mountaineers at an elevation.

    Parameters
    ----------
    elevation_m
        Elevation, m; 1500 to 7000. The source states no range: below 1500 m the line nears 100 %, above
        7000 m measurements flatten out and it would be too low.
    women
        Whether for women, who had 0.7 points more.

    Returns
    -------
    Saturation, %; NaN outside the range and for NaN.

    Notes
    -----
    103.3 - 0.0047 h + Z, Z 0.7 for men and 1.4 for women; 761 readings of 53 people in the Alps,
    Himalaya, Caucasus and Andes, R2 0.83. Med Clin (Barc) 147 (2016) 435-440. Healthy people lie some 8
    points to either side: a reading is shown beside this, never judged by it.
    """
    h = floats(elevation_m)
    percent = 103.3 - 0.0047 * h + np.where(women, 1.4, 0.7)
    return within(percent, (h >= SPO2_LOWEST_MOUNTAINEERS_M) & (h <= SPO2_HIGHEST_MOUNTAINEERS_M))


def expected_spo2_unacclimatised(elevation_m: ArrayLike) -> Floats:
    """Mean saturation of unacclimatised mountaineers at an elevation.

    Parameters
    ----------
    elevation_m
        Elevation, m; 0 to 4164 m.

    Returns
    -------
    Saturation, %; NaN outside the range and for NaN.

    Notes
    -----
    98.8183 - 0.0001 h - 0.000001 h^2; 214 measurements in Spain and the Alps up to 4164 m. Med Clin
    (Barc) 124 (2005) 172-176. The same caution as `expected_spo2_mountaineers`.
    """
    h = floats(elevation_m)
    return within(98.8183 - 1e-4 * h - 1e-6 * h**2, (h >= 0.0) & (h <= SPO2_HIGHEST_UNACCLIMATISED_M))


class Severity(StrEnum):
    """Bands of the Lake Louise score."""

    MILD = "mild"
    MODERATE = "moderate"
    SEVERE = "severe"


@dataclass(frozen=True)
class LakeLouise:
    """A Lake Louise score and what the rule says of it.

    Attributes
    ----------
    total
        Sum of the four items, 0 to 12; None while an item is unknown.
    at_least
        Sum of the known items.
    rule_met
        Total of 3 or more with a headache; None while unknown items could decide it.
    ams
        Acute mountain sickness by the score: the rule met 6 hours or more after gaining height. None
        when that cannot be said: unknown items, unknown hours, or too early.
    severity
        Band of the total where the rule is met; None otherwise and while the total is unknown.
    too_early
        Less than 6 hours since gaining height; None when the hours are unknown.
    high_without_headache
        3 points or more and no headache: not this illness by the rule, so something else to look into.
    """

    total: int | None
    at_least: int
    rule_met: bool | None
    ams: bool | None
    severity: Severity | None
    too_early: bool | None
    high_without_headache: bool


def lake_louise_2018(
    headache: int | None,
    gastrointestinal: int | None,
    fatigue: int | None,
    dizziness: int | None,
    *,
    hours_since_gain: float | None,
) -> LakeLouise:
    """Lake Louise acute mountain sickness score of 2018.

    Parameters
    ----------
    headache, gastrointestinal, fatigue, dizziness
        Each 0 to 3, None if not known. Sleep is no longer an item; the functional score is separate.
    hours_since_gain
        Hours since gaining height, None if not known.

    Returns
    -------
    LakeLouise

    Raises
    ------
    ValueError
        For an item that is not 0, 1, 2 or 3, and for negative hours.

    Notes
    -----
    Roach RC et al., The 2018 Lake Louise Acute Mountain Sickness Score, High Alt Med Biol 19 (2018) 4-6.
    Mild 3 to 5, moderate 6 to 9, severe 10 to 12. A self-score, no diagnosis.
    """
    items = {
        "headache": headache,
        "gastrointestinal": gastrointestinal,
        "fatigue": fatigue,
        "dizziness": dizziness,
    }
    for name, points in items.items():
        if points is not None and points not in (0, 1, 2, 3):
            raise ValueError(f"{name} is {points!r}; give 0, 1, 2 or 3, or None if not known")
    if hours_since_gain is not None and not hours_since_gain >= 0.0:
        raise ValueError(f"hours_since_gain is {hours_since_gain}; give 0 or more, or None if not known")
    known = [points for points in items.values() if points is not None]
    at_least, at_most = sum(known), sum(known) + 3 * (len(items) - len(known))
    total = at_least if len(known) == len(items) else None
    rule_met = _rule_met(headache, at_least, at_most)
    too_early = None if hours_since_gain is None else hours_since_gain < HOURS_BEFORE_SCORE
    return LakeLouise(
        total=total,
        at_least=at_least,
        rule_met=rule_met,
        ams=rule_met if too_early is False else None,
        severity=_severity(total) if rule_met and total is not None else None,
        too_early=too_early,
        high_without_headache=headache == 0 and at_least >= 3,
    )


def _rule_met(headache: int | None, at_least: int, at_most: int) -> bool | None:
    if headache == 0 or at_most < 3:
        return False
    if headache is not None and at_least >= 3:
        return True
    return None


def _severity(total: int) -> Severity:
    if total >= 10:
        return Severity.SEVERE
    return Severity.MODERATE if total >= 6 else Severity.MILD
