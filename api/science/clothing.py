"""Warmth by ISO 11079: the clothing a stage asks for, and how long what is worn will last.

Two strains are computed side by side. *Minimal*: the body defends itself, cool skin, the most a fit person
should be asked to bear. *Neutral*: no defence needed, comfortable. Everything here is an estimate for the
whole body of an average person; hands, feet and face freeze long before it and are judged elsewhere. No
result means "safe".

Equations of ISO 11079:2007 as implemented in three public programs and solved again by root finding. Two
faults of the older programs are avoided on purpose: the limit is a real eight hours (they stop at a heat loss
of 8 W/m2, which is five), and each clothing area factor belongs to the insulation it is computed from.

Arguments broadcast against each other (stage, scenario, person), results are float64. NaN in, NaN out.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from api.science.arrays import Floats, floats, plain, within
from api.science.roots import rising_root

CLO_M2KPW = 0.155
"""One clo in m2K/W (ISO 9920)."""

CLOTHING_CEILING_CLO = 4.5
"""About the most that can be worn, sleeping bags apart (INAIL guide to ISO 11079)."""

HEAT_DEBT_LIMIT_WHPM2 = 40.0
"""Body heat that may be lost before the exposure ends (ISO 11079)."""

LONGEST_LIMIT_H = 8.0
"""Beyond this the standard only says "more than 8 h"."""

STANDING_WPM2 = 70.0
"""Metabolic rate of a person standing still (ISO 8996, from memory)."""

_AREA_PER_M2KPW = 1.197
_GARMENT_AIR_M2KPW = 0.085
_VAPOUR_RATIO = 0.06 / 0.38
_RADIANT_WPM2K4 = 5.67e-8 * 0.95 * 0.77
_WIDEST_M2KPW = 10.0


@dataclass(frozen=True)
class Exposure:
    """What a person meets and does; every field a number or an array, all broadcast together.

    Attributes
    ----------
    metabolic_wpm2 : heat made, W per m2 of skin. Valid 58 to 400.
    air_c : air temperature, °C. Valid -60 to 10 (lower end ours: the standard names none).
    wind_mps : air speed at the body, m/s. Under 0.4 counts as 0.4, as the standard asks; valid to 18.
    walking_mps : walking speed, m/s. Raised to ``0.0052 (M - 58)``, at most 1.2, where lower; valid to 1.2.
    humidity_pct : relative humidity, %. Valid 0 to 100.
    permeability_lpm2s : air permeability of the outer layer, l/(m2 s). 8 windproof, 50 medium, 100 open
        weave. Under 1 counts as 1 (errs cold); valid to 100, the range in which the correction was checked.
    radiant_c : mean radiant temperature, °C; None means the air's. Valid -100 to 100.
    work_wpm2 : mechanical work, W/m2. Valid from 0 to under the metabolic rate.

    Outside any of these ranges every result is NaN.
    """

    metabolic_wpm2: ArrayLike
    air_c: ArrayLike
    wind_mps: ArrayLike
    walking_mps: ArrayLike = 0.0
    humidity_pct: ArrayLike = 85.0
    permeability_lpm2s: ArrayLike = 8.0
    radiant_c: ArrayLike | None = None
    work_wpm2: ArrayLike = 0.0


@dataclass(frozen=True)
class RequiredInsulation:
    """Insulation asked for, clo. ``ireq`` as it must act in wind and movement, ``icl`` as measured on a still
    manikin.

    Compare what a person has (ISO 9920 sum) with ``icl``. Zero: heat to spare without clothing. NaN: out of
    range.
    """

    ireq_min_clo: Floats
    ireq_neutral_clo: Floats
    icl_min_clo: Floats
    icl_neutral_clo: Floats


@dataclass(frozen=True)
class ExposureLimit:
    """Heat balance in given clothing: storage (negative is loss), W/m2, and hours until the heat debt limit.

    Infinite hours stand for the standard's "more than 8 h", not for ever. NaN: out of range.
    """

    storage_min_wpm2: Floats
    storage_neutral_wpm2: Floats
    limit_min_h: Floats
    limit_neutral_h: Floats


def air_layer_m2kpw(wind_mps: ArrayLike, walking_mps: ArrayLike) -> Floats:
    """Insulation of the air layer round the body in wind and movement.

    Parameters: air speed 0.4 to 18 m/s, walking speed 0 to 1.2 m/s; NaN outside. Returns m2K/W. Source: ISO
    11079:2007.
    """
    wind, walking = floats(wind_mps), floats(walking_mps)
    inside = (wind >= 0.4) & (wind <= 18.0) & (walking >= 0.0) & (walking <= 1.2)
    return within(0.092 * np.exp(-0.15 * wind - 0.22 * walking) - 0.0045, inside)


def wind_walk_factor(permeability_lpm2s: ArrayLike, wind_mps: ArrayLike, walking_mps: ArrayLike) -> Floats:
    """Share of a garment's still insulation that is left in wind and movement.

    Parameters: permeability 1 to 100 l/(m2 s), air speed 0.4 to 18 m/s, walking speed 0 to 1.2 m/s; NaN
    outside. Returns a factor, about 0.3 to 1.01. Source: ISO 11079:2007.
    """
    wind, walking, permeability = floats(wind_mps), floats(walking_mps), floats(permeability_lpm2s)
    inside = (permeability >= 1.0) & (permeability <= 100.0)
    inside &= (wind >= 0.4) & (wind <= 18.0) & (walking >= 0.0) & (walking <= 1.2)
    known = np.where(inside, permeability, 1.0)
    factor = 0.54 * np.exp(-0.15 * wind - 0.22 * walking) * known**0.075 - 0.06 * np.log(known) + 0.5
    return within(factor, inside)


def area_factor_iso11079(insulation_clo: ArrayLike) -> Floats:
    """Clothed area over bare area, as ISO 11079 has it: for the cold balance here and for nothing else.

    Parameters: insulation from 0 clo; NaN below. Overestimates above 2 clo (Kuklane & Toma 2021). Source: ISO
    11079:2007.
    """
    insulation = floats(insulation_clo)
    return within(1.0 + _AREA_PER_M2KPW * CLO_M2KPW * insulation, insulation >= 0.0)


def required_insulation(exposure: Exposure) -> RequiredInsulation:
    """Clothing that keeps the heat balance, for the minimal and the neutral strain.

    Parameters
    ----------
    exposure : Exposure
        Ranges as stated there; NaN outside.

    Returns
    -------
    RequiredInsulation
        clo, the broadcast shape of the exposure. Root exact to 1e-12 m2K/W. Air above 10 °C is outside the
        standard and gives NaN, not zero.

    Source: ISO 11079:2007 (IREQ, Icl), equations as in references of the module.
    """
    cells = _cells(exposure)
    ireq: list[Floats] = []
    icl: list[Floats] = []
    for strain in _STRAINS:
        balance = _Balance(cells, strain)
        acting = balance.insulation_m2kpw()
        area = 1.0 + _AREA_PER_M2KPW * acting
        still = (acting + cells.air_layer / area) / cells.factor - _GARMENT_AIR_M2KPW / area
        ireq.append(cells.spread(acting / CLO_M2KPW))
        icl.append(cells.spread(np.maximum(still, 0.0) / CLO_M2KPW))
    return RequiredInsulation(ireq[0], ireq[1], icl[0], icl[1])


def resultant_insulation_clo(available_icl_clo: ArrayLike, exposure: Exposure) -> Floats:
    """What worn clothing is worth in this wind and movement.

    Parameters
    ----------
    available_icl_clo : basic insulation as measured on a still manikin (ISO 9920 sum), clo. Valid from 0.5;
        NaN below.
    exposure : Exposure
        Ranges as stated there; NaN outside.

    Returns
    -------
    ndarray
        clo. The inverse of the step from ``ireq`` to ``icl``; the area factor is that of the result itself,
        found in closed form instead of by repetition.

    Source: ISO 11079:2007.
    """
    cells = _cells(exposure, available_icl_clo)
    return cells.spread(_resultant_m2kpw(cells) / CLO_M2KPW)


def exposure_limit(available_icl_clo: ArrayLike, exposure: Exposure) -> ExposureLimit:
    """How long the worn clothing holds before the body has lost the heat it may lose.

    Parameters
    ----------
    available_icl_clo : basic insulation worn, clo. Valid from 0.5; NaN below.
    exposure : Exposure
        Ranges as stated there; NaN outside.

    Returns
    -------
    ExposureLimit
        Hours are ``40 / loss``; infinite where nothing is lost or the limit lies beyond eight hours.

    Source: ISO 11079:2007 (duration-limited exposure).
    """
    cells = _cells(exposure, available_icl_clo)
    resultant = _resultant_m2kpw(cells)
    storage = [_Balance(cells, strain).storage_wpm2(resultant) for strain in _STRAINS]
    hours = [_limit_h(lost) for lost in storage]
    return ExposureLimit(*(cells.spread(one) for one in (*storage, *hours)))


def minutes_standing(
    available_icl_clo: ArrayLike, exposure: Exposure, *, standing_wpm2: ArrayLike = STANDING_WPM2
) -> tuple[Floats, Floats]:
    """Minutes until the limit for a person who stops: belaying, waiting, benighted.

    Parameters
    ----------
    available_icl_clo : basic insulation worn while standing, clo. Valid from 0.5; NaN below.
    exposure : Exposure
        Its effort, work and walking speed are replaced by standing still.
    standing_wpm2 : heat made while standing, W/m2. Default 70 (ISO 8996, from memory).

    Returns
    -------
    (minimal, neutral)
        Minutes at either strain, infinite where beyond eight hours. The neutral is the shorter and the one to
        plan by. Starts from a body in balance: someone sweating or already chilled has less.

    Source: ISO 11079:2007.
    """
    still = replace(exposure, metabolic_wpm2=standing_wpm2, walking_mps=0.0, work_wpm2=0.0)
    limit = exposure_limit(available_icl_clo, still)
    return limit.limit_min_h * 60.0, limit.limit_neutral_h * 60.0


@dataclass(frozen=True)
class _Strain:
    """One physiological criterion of the standard, as functions of the metabolic rate."""

    skin_c: Callable[[Floats], Floats]
    wetness: Callable[[Floats], Floats]


_STRAINS = (
    _Strain(lambda m: 33.34 - 0.0354 * m, lambda m: np.full_like(m, 0.06)),
    _Strain(lambda m: 35.7 - 0.0285 * m, lambda m: 0.001 * m),
)


@dataclass(frozen=True)
class _Cells:
    """The cells of the broadcast grid that lie inside every range, side by side; ``spread`` puts results
    back.
    """

    valid: NDArray[np.bool_]
    metabolic: Floats
    work: Floats
    air: Floats
    radiant: Floats
    humidity: Floats
    available: Floats
    air_layer: Floats
    factor: Floats

    def spread(self, values: Floats) -> Floats:
        grid = np.full(self.valid.shape, np.nan)
        grid[self.valid] = values
        return plain(grid)


def _cells(exposure: Exposure, available_icl_clo: ArrayLike = 1.0) -> _Cells:
    radiant = exposure.air_c if exposure.radiant_c is None else exposure.radiant_c
    given = (
        exposure.metabolic_wpm2,
        exposure.work_wpm2,
        exposure.air_c,
        radiant,
        exposure.humidity_pct,
        exposure.wind_mps,
        exposure.walking_mps,
        exposure.permeability_lpm2s,
        available_icl_clo,
    )
    grids = np.broadcast_arrays(*(floats(one) for one in given))
    m, work, air, tr, rh, wind, walking, permeability, available = grids
    valid = (m >= 58.0) & (m <= 400.0) & (work >= 0.0) & (work < m)
    valid &= (air >= -60.0) & (air <= 10.0) & (tr >= -100.0) & (tr <= 100.0) & (rh >= 0.0) & (rh <= 100.0)
    valid &= (wind >= 0.0) & (wind <= 18.0) & (walking >= 0.0) & (walking <= 1.2)
    valid &= (permeability >= 0.0) & (permeability <= 100.0) & (available >= 0.5) & np.isfinite(available)
    m = m[valid]
    wind = np.maximum(wind[valid], 0.4)
    walking = np.maximum(walking[valid], np.minimum(0.0052 * (m - 58.0), 1.2))
    factor = wind_walk_factor(np.maximum(permeability[valid], 1.0), wind, walking)
    return _Cells(
        np.asarray(valid),
        m,
        work[valid],
        air[valid],
        tr[valid],
        rh[valid],
        available[valid] * CLO_M2KPW,
        air_layer_m2kpw(wind, walking),
        factor,
    )


class _Balance:
    """The heat balance of some cells at one strain.

    The standard writes dry loss as radiation plus convection with ``hc = 1/Ia - hr``. Summed, that is
    ``fcl ((tcl - ta)/Ia + hr (ta - tr))``: no division by ``tcl - tr``, so no gap where both are equal.
    """

    def __init__(self, cells: _Cells, strain: _Strain) -> None:
        m, air = cells.metabolic, cells.air
        breath_c = 29.0 + 0.2 * air
        vapour_kpa = cells.humidity / 100.0 * _saturation_kpa(air)
        breath = 0.0173 * m * (_saturation_kpa(breath_c) - vapour_kpa) + 0.0014 * m * (breath_c - air)
        self.cells = cells
        self.skin = strain.skin_c(m)
        self.heat = m - cells.work - breath
        self.sweat = strain.wetness(m) * (_saturation_kpa(self.skin) - vapour_kpa) / _VAPOUR_RATIO
        self.radiant_gap = air - cells.radiant

    def insulation_m2kpw(self) -> Floats:
        """Insulation at which nothing is stored; 0 where even bare skin keeps warm, NaN where none is
        enough.
        """
        lowest = np.zeros_like(self.skin)
        highest = np.full_like(self.skin, _WIDEST_M2KPW)
        root = rising_root(self._surplus, lowest, highest)
        root = np.where(self._surplus(lowest)[0] >= 0.0, 0.0, root)
        return np.where(self._surplus(highest)[0] > 0.0, root, np.nan)

    def storage_wpm2(self, insulation: Floats) -> Floats:
        """Heat stored (negative: lost) in clothing of this resultant insulation."""
        air_layer = self.cells.air_layer
        area = 1.0 + _AREA_PER_M2KPW * insulation

        def excess(dry: Floats) -> tuple[Floats, Floats]:
            surface = self.skin - insulation * dry
            radiant, slope = self._radiant(surface)
            gap = dry - area * ((surface - self.cells.air) / air_layer + radiant * self.radiant_gap)
            return gap, 1.0 + area * insulation * (1.0 / air_layer + slope * self.radiant_gap)

        reach = np.full_like(self.skin, 20_000.0)
        dry = rising_root(excess, -reach, reach)
        return self.heat - self.sweat / (air_layer + insulation) - dry

    def _surplus(self, insulation: Floats) -> tuple[Floats, Floats]:
        """Heat left over at zero storage, and its slope by insulation. At any root the slope is positive: one
        root.
        """
        air_layer = self.cells.air_layer
        evaporation = self.sweat / (air_layer + insulation)
        dry = self.heat - evaporation
        dry_slope = evaporation / (air_layer + insulation)
        surface = self.skin - insulation * dry
        surface_slope = -dry - insulation * dry_slope
        radiant, radiant_slope = self._radiant(surface)
        area = 1.0 + _AREA_PER_M2KPW * insulation
        loss = (surface - self.cells.air) / air_layer + radiant * self.radiant_gap
        loss_slope = surface_slope * (1.0 / air_layer + radiant_slope * self.radiant_gap)
        return dry - area * loss, dry_slope - _AREA_PER_M2KPW * loss - area * loss_slope

    def _radiant(self, surface_c: Floats) -> tuple[Floats, Floats]:
        """Radiant coefficient between clothing and surroundings, W/(m2 K), and its slope by surface
        temperature.
        """
        warm, cold = surface_c + 273.0, self.cells.radiant + 273.0
        coefficient = (warm + cold) * (warm * warm + cold * cold)
        slope = 3.0 * warm * warm + 2.0 * warm * cold + cold * cold
        return _RADIANT_WPM2K4 * coefficient, _RADIANT_WPM2K4 * slope


def _resultant_m2kpw(cells: _Cells) -> Floats:
    """Solve ``I = (Icl + 0.085/f) K - Ia/f`` with ``f = 1 + 1.197 I`` for I: a quadratic."""
    worn = cells.available * cells.factor
    air = _GARMENT_AIR_M2KPW * cells.factor - cells.air_layer
    linear = 1.0 - _AREA_PER_M2KPW * worn
    root = np.sqrt(linear * linear + 4.0 * _AREA_PER_M2KPW * (worn + air))
    return (root - linear) / (2.0 * _AREA_PER_M2KPW)


def _limit_h(storage_wpm2: Floats) -> Floats:
    losing = storage_wpm2 < 0.0
    hours = HEAT_DEBT_LIMIT_WHPM2 / np.where(losing, -storage_wpm2, 1.0)
    within = losing & (hours <= LONGEST_LIMIT_H)
    return np.where(np.isnan(storage_wpm2), np.nan, np.where(within, hours, np.inf))


def _saturation_kpa(temperature_c: Floats) -> Floats:
    return 0.1333 * np.exp(18.6686 - 4030.183 / (temperature_c + 235.0))
