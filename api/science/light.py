"""Light: what a labelled run time is worth in the dark and the cold.

A run time by ANSI/PLATO FL 1 starts 30 s after switching on fresh cells and ends when the output has fallen
to a tenth. A "40 h" lamp may have spent most of them too dim to walk by; how much of the label is usable is a
setting, not a published figure. So is the derating in the cold: no citable curve exists. Arguments broadcast;
NaN in, NaN out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from api.science.arrays import Floats, floats, plain, within

FL1_END_SHARE = 0.10
"""Share of the initial output at which the labelled run time ends (ANSI/NEMA FL 1-2009, 1.2.3, kept
since).
"""

FL1_BEAM_LUX = 0.25
"""Illuminance at the end of the labelled beam distance: about a full moon (ANSI FL 1)."""

WATER_PROTECTION: dict[str, str] = {
    "IPX4": "splash from all sides",
    "IPX7": "1 m for 30 min",
    "IPX8": "deeper than 1 m, stated depth, 4 h",
}
"""What the water rating on a lamp means (ANSI FL 1)."""

USABLE_SHARE_OF_LABEL = 0.5
"""Share of the labelled hours counted as light to walk by: common practice, no published source."""

_SETTING = "common practice, no published source"


@dataclass(frozen=True)
class Chemistry:
    """Share of the hours that is left by temperature, points from cold to warm, and where the figures are
    from.

    Below ``coldest_c`` (the maker's limit or ours) and above ``warmest_c`` nothing can be promised.
    """

    at_c: tuple[float, ...]
    share: tuple[float, ...]
    coldest_c: float
    warmest_c: float
    limits: str
    source: str = _SETTING


CHEMISTRIES: dict[str, Chemistry] = {
    "alkaline": Chemistry((-18.0, 0.0, 20.0), (0.25, 0.5, 1.0), -18.0, 55.0, "from memory"),
    "lithium": Chemistry(
        (-40.0, -20.0, 0.0, 20.0), (0.4, 0.7, 0.9, 1.0), -40.0, 60.0, "maker's handbook for Li/FeS2 AA cells"
    ),
    "rechargeable lithium-ion": Chemistry(
        (-20.0, -10.0, 0.0, 20.0), (0.5, 0.65, 0.8, 1.0), -20.0, 45.0, "from memory"
    ),
    "rechargeable NiMH": Chemistry((-20.0, 0.0, 20.0), (0.5, 0.8, 1.0), -20.0, 45.0, "from memory"),
}
"""``lithium`` is the throw-away Li/FeS2 cell. A cell kept on the body is as warm as the body, not as the
air.
"""


def beam_distance_m(peak_candela: ArrayLike) -> Floats:
    """Beam distance of FL 1, m, from peak intensity, cd from 0: the distance at 0.25 lux, ``2 sqrt(cd)``. NaN
    below 0.

    Source: ANSI FL 1, inverse-square law.
    """
    peak = floats(peak_candela)
    return within(np.sqrt(np.maximum(peak, 0.0) / FL1_BEAM_LUX), peak >= 0.0)


def peak_candela(beam_distance: ArrayLike) -> Floats:
    """Peak intensity, cd, behind a labelled beam distance, m from 0. NaN below 0. Source: ANSI FL 1."""
    distance = floats(beam_distance)
    return within(FL1_BEAM_LUX * distance * distance, distance >= 0.0)


def cold_share(chemistry: str, cell_c: ArrayLike) -> Floats:
    """Share of a cell's hours left at a temperature.

    Parameters
    ----------
    chemistry : a name of ``CHEMISTRIES``; KeyError naming it otherwise.
    cell_c : temperature of the cell, °C.

    Returns
    -------
    ndarray
        0 to 1, straight lines between the points of the table, 1 from 20 °C up. NaN outside the chemistry's
        limits: alkaline -18 to 55 (from memory), Li/FeS2 -40 to 60 °C (maker's handbook).

    Source: common practice, no published source.
    """
    if chemistry not in CHEMISTRIES:
        raise KeyError(f"no cell chemistry {chemistry!r}; known are {', '.join(CHEMISTRIES)}")
    known, cell = CHEMISTRIES[chemistry], floats(cell_c)
    share = np.interp(cell, known.at_c, known.share)
    return within(share, (cell >= known.coldest_c) & (cell <= known.warmest_c))


def usable_light_h(
    labelled_h: ArrayLike,
    cold: ArrayLike,
    *,
    sets: ArrayLike = 1.0,
    charge: ArrayLike = 1.0,
    usable_share: ArrayLike = USABLE_SHARE_OF_LABEL,
) -> Floats:
    """Hours of light to walk by.

    Parameters
    ----------
    labelled_h : FL 1 run time at the output that will be used, h from 0.
    cold : share left in the cold, 0 to 1: ``cold_share``.
    sets : full sets of cells carried, the one in the lamp included, 0 up.
    charge : how full they are, 0 to 1.
    usable_share : share of the label that is light to walk by, above 0 to 1; 1 only for a lamp that holds its
        output.

    Returns
    -------
    ndarray
        Hours; NaN outside. Source: FL 1 for the label; the shares are settings.
    """
    names = (labelled_h, cold, sets, charge, usable_share)
    label, left, packed, full, usable = np.broadcast_arrays(*(floats(one) for one in names))
    inside = (label >= 0.0) & (packed >= 0.0) & (usable > 0.0) & (usable <= 1.0)
    inside &= (left >= 0.0) & (left <= 1.0) & (full >= 0.0) & (full <= 1.0)
    return within(label * left * packed * full * usable, inside)


def light_margin_h(usable_h: ArrayLike, dark_h: ArrayLike) -> Floats:
    """Usable hours less dark hours on the move; negative is a gap. NaN if either is unknown or below 0."""
    usable, dark = floats(usable_h), floats(dark_h)
    return within(usable - dark, (usable >= 0.0) & (dark >= 0.0))


def sets_needed(labelled_h: ArrayLike, cold: ArrayLike, dark_h: ArrayLike, **settings: ArrayLike) -> Floats:
    """Whole sets of cells for the dark hours, the one in the lamp included.

    ``settings`` are ``charge`` and ``usable_share`` of ``usable_light_h``. At least one set, even for no dark
    hours. Infinite where a set gives no light at all; NaN outside the ranges.
    """
    one_set, dark = usable_light_h(labelled_h, cold, **settings), floats(dark_h)
    with np.errstate(divide="ignore", invalid="ignore"):
        sets = np.where(one_set > 0.0, np.ceil(dark / one_set - 1e-9), np.where(dark > 0.0, np.inf, 1.0))
    return plain(within(np.maximum(sets, 1.0), (one_set >= 0.0) & (dark >= 0.0)))
