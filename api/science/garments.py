"""Clothing by the garment: tables of single pieces, their sum, and what wind and movement leave of it (ISO
9920).

The two tables do not agree with each other (boots 0.10 and 0.05 clo): a garment's value is only meaningful
together with the name of its table. Neither holds modern down suits; for those enter the maker's measured
value.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import ArrayLike

from api.science.arrays import Flags, Floats, floats, plain, within

ASHRAE_55_CLO: dict[str, float] = {
    "Bra": 0.01,
    "Ankle socks": 0.02,
    "Shoes or sandals": 0.02,
    "Slippers": 0.03,
    "Panty hose": 0.02,
    "Calf length socks": 0.03,
    "Women's underwear": 0.03,
    "Men's underwear": 0.04,
    "Knee socks (thick)": 0.06,
    "Short shorts": 0.06,
    "Walking shorts": 0.08,
    "T-shirt": 0.08,
    "Boots": 0.1,
    "Sleeveless scoop-neck blouse": 0.12,
    "Half slip": 0.14,
    "Long underwear bottoms": 0.15,
    "Full slip": 0.16,
    "Short-sleeve knit shirt": 0.17,
    "Sleeveless vest (thin)": 0.1,
    "Sleeveless vest (thick)": 0.17,
    "Sleeveless short gown (thin)": 0.18,
    "Short-sleeve dress shirt": 0.19,
    "Sleeveless long gown (thin)": 0.2,
    "Long underwear top": 0.2,
    "Thick skirt": 0.23,
    "Long-sleeve dress shirt": 0.25,
    "Long-sleeve flannel shirt": 0.34,
    "Long-sleeve sweat shirt": 0.34,
    "Short-sleeve hospital gown": 0.31,
    "Short-sleeve short robe (thin)": 0.34,
    "Short-sleeve pajamas": 0.42,
    "Long-sleeve long gown": 0.46,
    "Long-sleeve short wrap robe (thick)": 0.48,
    "Long-sleeve pajamas (thick)": 0.57,
    "Long-sleeve long wrap robe (thick)": 0.69,
    "Thin trousers": 0.15,
    "Thick trousers": 0.24,
    "Sweatpants": 0.28,
    "Overalls": 0.3,
    "Coveralls": 0.49,
    "Thin skirt": 0.14,
    "Long-sleeve shirt dress (thin)": 0.33,
    "Long-sleeve shirt dress (thick)": 0.47,
    "Short-sleeve shirt dress": 0.29,
    "Sleeveless, scoop-neck shirt (thin)": 0.23,
    "Sleeveless, scoop-neck shirt (thick)": 0.27,
    "Long sleeve shirt (thin)": 0.25,
    "Long sleeve shirt (thick)": 0.36,
    "Single-breasted coat (thin)": 0.36,
    "Single-breasted coat (thick)": 0.44,
    "Double-breasted coat (thin)": 0.42,
    "Double-breasted coat (thick)": 0.48,
}
"""Single pieces, clo: the ASHRAE 55 table as shipped in pythermalcomfort 4.8.1 (MIT), seats left out."""

ISO_7730_CLO: dict[str, float] = {
    "long underpants": 0.1,
    "undershirt long sleeve": 0.12,
    "normal trousers": 0.25,
    "thin sweater": 0.2,
    "thick sweater": 0.35,
    "vest (jacket)": 0.13,
    "jacket": 0.35,
    "down jacket": 0.55,
    "coat": 0.6,
    "parka": 0.7,
    "overalls multi-component": 0.52,
    "coverall multi-component filling": 1.03,
    "fiber-pelt coverall": 1.13,
    "boots": 0.05,
    "thick ankle socks": 0.05,
    "thick long socks": 0.1,
}
"""Single pieces, clo: values of ISO 7730/9920 style as listed on engineeringtoolbox.com, clothing insulation
page.
"""

TABLES: dict[str, dict[str, float]] = {"ashrae55": ASHRAE_55_CLO, "iso7730": ISO_7730_CLO}


def ensemble_clo(pieces_clo: ArrayLike, *, axis: int = -1) -> Floats:
    """Basic insulation of everything worn, from the single pieces.

    Parameters
    ----------
    pieces_clo : clo of each piece along ``axis``; 0 for a piece not worn, NaN for one whose value is not
        known.
    axis : the axis of the pieces.

    Returns
    -------
    ndarray
        ``0.161 + 0.835 * sum``, clo. NaN where a piece is unknown or negative, and where the clothing is none
        at all: the regression belongs to evenly dressed bodies and would give 0.161 clo to a naked one.

    Source: ISO 9920:2009 section 4.3.
    """
    total = simple_sum_clo(pieces_clo, axis=axis)
    return within(0.161 + 0.835 * total, total > 0.0)


def simple_sum_clo(pieces_clo: ArrayLike, *, axis: int = -1) -> Floats:
    """Basic insulation as the plain sum of the pieces, clo; NaN where one is unknown or negative.

    Higher than the regression from about 1 clo on, lower under it. Source: Olesen 1985, as quoted by ISO
    9920.
    """
    pieces = floats(pieces_clo)
    return plain(np.where(pieces >= 0.0, pieces, np.nan).sum(axis=axis))


def pieces_of(table: str, names: Iterable[str]) -> Floats:
    """Values of named pieces from one table, clo. Raises KeyError naming what is not in it."""
    values = TABLES[table]
    wanted = list(names)
    missing = [name for name in wanted if name not in values]
    if missing:
        raise KeyError(f"no such piece in {table}: {', '.join(missing)}")
    return np.array([values[name] for name in wanted], dtype=np.float64)


def wind_correction(relative_wind_mps: ArrayLike, walking_mps: ArrayLike, icl_clo: ArrayLike) -> Floats:
    """Share of total insulation left in wind and movement, for light and ordinary clothing.

    Parameters
    ----------
    relative_wind_mps : air speed relative to the body, m/s. Valid 0.15 to 3.5.
    walking_mps : walking speed, m/s. Valid 0 to 1.2.
    icl_clo : basic insulation, clo. Valid 0 to 1.4; under 0.6 the factor is mixed with that of bare skin.

    Returns
    -------
    ndarray
        A factor; NaN outside. Thicker clothing is the business of ISO 11079: see
        ``clothing.wind_walk_factor``.

    Source: ISO 9920, coefficients in the comparison table of PMC7446225.
    """
    wind, walking, icl = (floats(one) for one in (relative_wind_mps, walking_mps, icl_clo))
    past = wind - 0.15
    dressed = np.exp(-0.281 * past + 0.044 * past**2 - 0.492 * walking + 0.176 * walking**2)
    share = np.clip(icl / 0.6, 0.0, 1.0)
    mixed = share * dressed + (1.0 - share) * _air_layer_factor(wind, walking)
    return within(mixed, _checked(wind, walking) & (icl >= 0.0) & (icl <= 1.4))


def air_layer_correction(relative_wind_mps: ArrayLike, walking_mps: ArrayLike) -> Floats:
    """Share of the still air layer (0.7 clo) left in wind and movement.

    Parameters: relative wind 0.15 to 3.5 m/s, walking 0 to 1.2 m/s; NaN outside. Source: ISO 9920, as
    ``wind_correction``.
    """
    wind, walking = floats(relative_wind_mps), floats(walking_mps)
    return within(_air_layer_factor(wind, walking), _checked(wind, walking))


def area_factor_iso9920(icl_clo: ArrayLike) -> Floats:
    """Clothed area over bare area, ``1 + 0.28 clo``, valid 0.2 to 1.7 clo, NaN outside. Source: ISO 9920.

    Three standards have three formulas that differ; each belongs to its own model. This one goes with the
    sums and corrections here.
    """
    icl = floats(icl_clo)
    return within(1.0 + 0.28 * icl, (icl >= 0.2) & (icl <= 1.7))


def area_factor_iso7730(icl_clo: ArrayLike) -> Floats:
    """Clothed area over bare area in two pieces, for comfort indoors (ISO 7730), 0 to 2 clo, NaN outside.

    ``1 + 1.29 I`` to 0.078 m2K/W, ``1.05 + 0.645 I`` above. Source: ISO 7730 (upper end: ISO 7730's range).
    """
    icl = floats(icl_clo)
    insulation = 0.155 * icl
    factor = np.where(insulation <= 0.078, 1.0 + 1.29 * insulation, 1.05 + 0.645 * insulation)
    return within(factor, (icl >= 0.0) & (icl <= 2.0))


def _air_layer_factor(wind: Floats, walking: Floats) -> Floats:
    past = wind - 0.15
    return np.asarray(np.exp(-0.533 * past + 0.069 * past**2 - 0.462 * walking + 0.201 * walking**2))


def _checked(wind: Floats, walking: Floats) -> Flags:
    return np.asarray((wind >= 0.15) & (wind <= 3.5) & (walking >= 0.0) & (walking <= 1.2))
