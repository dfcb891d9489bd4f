"""What carrying a pack over this ground costs, and the pace and hours that follow from it.

Uphill and level by Pandolf, Givoni and Goldman (1977); downhill with Santee's correction, in which the grade
keeps its sign in both parts. With the grade's size alone, as several public codes have it, a gentle descent
would cost more than the level. At grade 0 the two models do not quite meet (about 5 % of the power): that
step is in the published formulas.

The walking trials behind the formulas did not cover everything a glacier offers. Outside them results are
NaN, unless the caller says ``beyond_trials=True`` and shows the figure as a guess. Arguments broadcast; NaN
in, NaN out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from api.science.arrays import Flags, Floats, floats, plain, within

STEEPEST_UP_PCT = 25.0
"""Grade to which the uphill formula is used as tried (from memory)."""

STEEPEST_DOWN_PCT = -20.0
"""Grade to which the downhill correction is used; its squared term runs away beyond (limit ours)."""

FASTEST_MPS = 2.5
"""Walking speed to which the formulas are used (from memory: running needs another one)."""

ROPED_PACE_MPS = 1.2
"""Pace that is not exceeded on easy ground however much power is left; also the walking limit of ISO
11079.
"""


@dataclass(frozen=True)
class Terrain:
    """Factor on the walking part of the effort, and how well it is known."""

    factor: float
    source: str


_CODES = "Pandolf-type terrain table as quoted in public codes"
TERRAIN: dict[str, Terrain] = {
    "paved": Terrain(1.0, _CODES),
    "dirt path": Terrain(1.1, _CODES),
    "gravel or moraine": Terrain(1.2, _CODES),
    "hard snow": Terrain(1.3, _CODES),
    "heavy brush": Terrain(1.5, _CODES),
    "swamp": Terrain(1.8, f"{_CODES}; given as 1.6 to 1.8, the dearer taken"),
    "sand": Terrain(2.1, f"{_CODES}, from memory"),
}
"""Terrain factors by ground. Soft snow depends on how far the foot sinks: see ``snow_factor``."""


METABOLIC_CLASSES_WPM2: dict[str, float] = {
    "resting": 65.0,
    "low": 100.0,
    "moderate": 165.0,
    "high": 230.0,
    "very high": 290.0,
}
"""Effort by class where no pack and pace are known: ISO 8996:2004 class values, from memory."""

STANDARD_SKIN_M2 = 1.8
"""Skin of the standard man, 70 kg and 1.75 m (ISO 8996); the standard woman, 60 kg and 1.70 m, has 1.6."""

RESTING_W = METABOLIC_CLASSES_WPM2["resting"] * STANDARD_SKIN_M2


def grade_pct(climb_m: ArrayLike, horizontal_m: ArrayLike) -> Floats:
    """Grade from height gained (negative: lost) and map distance, both m. NaN unless the distance is above
    0.
    """
    climb, along = floats(climb_m), floats(horizontal_m)
    return within(100.0 * climb / np.where(along > 0.0, along, 1.0), along > 0.0)


def sinkage_cm(snow_depth_cm: ArrayLike, snow_density_gpcm3: ArrayLike) -> Floats:
    """How far a boot sinks, cm, from depth (0 cm up) and density (0 to 0.92 g/cm3, ice) of the snow; NaN
    outside.

    Source: ERDC/CRREL terrain coefficients over snow (abstract); that depth is in cm follows from the
    context.
    """
    depth, density = floats(snow_depth_cm), floats(snow_density_gpcm3)
    inside = (depth >= 0.0) & (density >= 0.0) & (density <= 0.92)
    return within(depth * (1.0 - density / 1.186), inside)


def snow_factor(sinkage: ArrayLike) -> Floats:
    """Terrain factor of snow from the sinkage in cm, 0 to 20; NaN outside (a cubic fit, not to be stretched).

    Source: ERDC/CRREL, Terrain Coefficients for Predicting Energy Costs of Walking over Snow (abstract).
    """
    z = floats(sinkage)
    return within(0.0005 * z**3 + 0.0001 * z**2 + 0.1072 * z + 1.2604, (z >= 0.0) & (z <= 20.0))


def soft_snow_factor(sinkage: ArrayLike) -> Floats:
    """The older line for soft snow, ``1.3 + 0.08`` per cm of sinkage, 0 to 45 cm; NaN outside.

    Source: Pandolf, Haisman and Goldman 1976 as quoted in public codes; the upper end from memory.
    """
    z = floats(sinkage)
    return within(1.3 + 0.08 * z, (z >= 0.0) & (z <= 45.0))


def walking_power_w(
    body_kg: ArrayLike,
    load_kg: ArrayLike,
    speed_mps: ArrayLike,
    grade: ArrayLike,
    terrain: ArrayLike = 1.0,
    *,
    beyond_trials: bool = False,
) -> Floats:
    """Metabolic power of a person walking with a load, uphill, level or downhill.

    Parameters
    ----------
    body_kg : body mass, above 0 kg.
    load_kg : everything worn and carried, 0 kg up.
    speed_mps : speed along the ground, 0 to 2.5 m/s.
    grade : signed grade in %, -20 to 25. Below 0 Santee's correction applies.
    terrain : terrain factor, 1 up: ``TERRAIN`` or ``snow_factor``.
    beyond_trials : accept grades up to 100 %, and hold steeper descents at the cost of -20 %. Ask for it only
        where the figure is shown as a guess.

    Returns
    -------
    ndarray
        W for the whole body. NaN outside the ranges. Standing loaded is what remains at speed 0 on level or
        uphill.

    Source: Pandolf et al., J Appl Physiol 43 (1977) 577; Santee et al. 2001/2003, sign of the grade inferred.
    """
    inputs = np.broadcast_arrays(*(floats(one) for one in (body_kg, load_kg, speed_mps, grade, terrain)))
    body, load, speed, slope, ground = inputs
    inside = (
        (speed >= 0.0) & (speed <= FASTEST_MPS) & _person_on_ground(body, load, slope, ground, beyond_trials)
    )
    square, linear, constant = _power_in_speed(body, load, np.maximum(slope, STEEPEST_DOWN_PCT), ground)
    return within((square * speed + linear) * speed + constant, inside)


def sustained_speed_mps(
    power_w: ArrayLike,
    body_kg: ArrayLike,
    load_kg: ArrayLike,
    grade: ArrayLike,
    terrain: ArrayLike = 1.0,
    *,
    fastest_mps: float = ROPED_PACE_MPS,
    beyond_trials: bool = False,
) -> Floats:
    """Speed along the ground that a given power keeps up: ``walking_power_w`` solved for the speed.

    Parameters
    ----------
    power_w : metabolic power the person can hold, W.
    body_kg, load_kg, grade, terrain, beyond_trials : as in ``walking_power_w``.
    fastest_mps : the answer is held at this, at most 2.5 m/s.

    Returns
    -------
    ndarray
        m/s; NaN outside the ranges and where the power does not even carry the load at rest.

    Source: as ``walking_power_w``; a quadratic in the speed in both models.
    """
    inputs = np.broadcast_arrays(*(floats(one) for one in (power_w, body_kg, load_kg, grade, terrain)))
    power, body, load, slope, ground = inputs
    square, linear, constant = _power_in_speed(body, load, np.maximum(slope, STEEPEST_DOWN_PCT), ground)
    under = linear * linear - 4.0 * square * (constant - power)
    speed = (np.sqrt(np.maximum(under, 0.0)) - linear) / (2.0 * square)
    enough = (under >= 0.0) & (speed >= 0.0) & _person_on_ground(body, load, slope, ground, beyond_trials)
    return within(np.minimum(speed, min(fastest_mps, FASTEST_MPS)), enough)


def skin_area_m2(body_kg: ArrayLike, height_m: ArrayLike) -> Floats:
    """Skin area of a body (DuBois): 20 to 200 kg, 1.2 to 2.2 m; NaN outside. Standard man of ISO 8996: 1.8
    m2.
    """
    mass, height = floats(body_kg), floats(height_m)
    inside = (mass >= 20.0) & (mass <= 200.0) & (height >= 1.2) & (height <= 2.2)
    return within(0.202 * np.abs(mass) ** 0.425 * np.abs(height) ** 0.725, inside)


def per_skin_area_wpm2(power_w: ArrayLike, area_m2: ArrayLike = STANDARD_SKIN_M2) -> Floats:
    """Metabolic rate per m2 of skin, W/m2, from W and m2 (default the standard man's 1.8). NaN unless area
    above 0.
    """
    power, area = floats(power_w), floats(area_m2)
    return within(power / np.where(area > 0.0, area, 1.0), area > 0.0)


def stage_hours(distance_m: ArrayLike, speed_mps: ArrayLike, rest_min_per_h: ArrayLike = 10.0) -> Floats:
    """Hours for a stretch, with rests.

    Parameters: distance along the ground from 0 m, speed above 0 m/s, minutes of rest in each hour on the
    way, 0 to under 60 (default 10: common practice, no published source). NaN outside. Returns hours.
    """
    distance, speed, rest = floats(distance_m), floats(speed_mps), floats(rest_min_per_h)
    inside = (distance >= 0.0) & (speed > 0.0) & (rest >= 0.0) & (rest < 60.0)
    moving = distance / np.where(speed > 0.0, speed, 1.0) / 3600.0
    return within(moving / (1.0 - np.where(inside, rest, 0.0) / 60.0), inside)


def arrival_h(start_h: ArrayLike, hours: ArrayLike) -> Floats:
    """Hour of arrival at the end of each stretch; stretches along the last axis.

    ``start_h`` has no stretch axis. A stretch of unknown length makes every later arrival unknown.
    """
    return plain(floats(start_h)[..., None] + np.cumsum(floats(hours), axis=-1))


def turnaround_h(back_by_h: ArrayLike, return_hours: ArrayLike) -> Floats:
    """Latest hour to turn, to be back by ``back_by_h`` over the stretches of the way back (last axis).

    Unknown as soon as one stretch is unknown. No margin inside: take it off ``back_by_h``.
    """
    return plain(floats(back_by_h) - np.sum(floats(return_hours), axis=-1))


def day_energy_kj(power_w: ArrayLike, hours: ArrayLike, resting_w: ArrayLike = RESTING_W) -> Floats:
    """Energy a day asks for: stretches along the last axis at their power, the rest of 24 h at rest.

    Parameters
    ----------
    power_w, hours : power, W, and duration, h, of each stretch.
    resting_w : power for the rest of the day, W. Default 65 W/m2 of the standard man (ISO 8996, from memory).

    Returns
    -------
    ndarray
        kJ. NaN where a stretch is unknown or negative or the stretches fill more than 24 h.
    """
    power, duration = np.broadcast_arrays(floats(power_w), floats(hours))
    busy = duration.sum(axis=-1)
    fits = (duration >= 0.0).all(axis=-1) & (busy <= 24.0)
    return within(3.6 * ((power * duration).sum(axis=-1) + floats(resting_w) * (24.0 - busy)), fits)


def _power_in_speed(
    body: Floats, load: Floats, grade: Floats, terrain: Floats
) -> tuple[Floats, Floats, Floats]:
    """Power as ``square v² + linear v + constant``; Santee's term joins where the grade is below 0."""
    whole = body + load
    mass = np.where(body > 0.0, body, 1.0)
    down = np.where(grade < 0.0, terrain, 0.0)
    square = 1.5 * terrain * whole + down
    linear = 0.35 * terrain * whole * grade - down * grade * whole / 3.5
    standing = 1.5 * body + 2.0 * whole * (load / mass) ** 2
    constant = standing + down * (whole * (grade + 6.0) ** 2 / mass - 25.0)
    return square, linear, constant


def _person_on_ground(
    body: Floats, load: Floats, grade: Floats, terrain: Floats, beyond_trials: bool
) -> Flags:
    lowest, highest = (-100.0, 100.0) if beyond_trials else (STEEPEST_DOWN_PCT, STEEPEST_UP_PCT)
    inside = (body > 0.0) & (load >= 0.0) & (terrain >= 1.0)
    return np.asarray(inside & (grade >= lowest) & (grade <= highest))
