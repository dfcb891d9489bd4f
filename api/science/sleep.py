"""Sleeping bags by the figures on their label (ISO 23537-1).

The label is read, never computed: no verified way leads from insulation to a rating. *Comfort* is a standard
woman at ease, *limit* a standard man curled up and just not shivering, *extreme* a survival figure at which
hypothermia threatens. A bag that states only the last, or nothing, cannot be judged, and that is a result and
not a zero.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import Enum
from itertools import pairwise

from numpy.typing import ArrayLike

from api.science.arrays import Floats, floats, plain

STANDARD_ENDS_LIMIT_C = -20.0
"""The 2022 edition is made for limit temperatures of -20 °C and higher; colder bags are outside it."""

CLEAR_NIGHT_ALLOWANCE_C = 3.0
"""Taken off the forecast air temperature to plan a night in a tent: common practice, no published source."""


class LabelState(Enum):
    """What a label is good for."""

    JUDGED = "judged"
    ONLY_EXTREME = "only an extreme figure"
    NO_FIGURES = "no figures"
    OUT_OF_ORDER = "figures out of order"


@dataclass(frozen=True)
class BagLabel:
    """Temperatures of a label, °C; None where it states none."""

    comfort_c: float | None = None
    limit_c: float | None = None
    extreme_c: float | None = None
    upper_c: float | None = None


@dataclass(frozen=True)
class LabelReading:
    """A label after checking. ``beyond_standard``: the limit lies under what ISO 23537-1 covers."""

    state: LabelState
    comfort_c: float
    limit_c: float
    beyond_standard: bool

    @property
    def can_be_judged(self) -> bool:
        return self.state is LabelState.JUDGED


@dataclass(frozen=True)
class BagMargin:
    """Night against label, K; positive is warm enough. NaN where the label cannot be judged or lacks that
    figure.
    """

    reading: LabelReading
    comfort_margin_k: Floats
    limit_margin_k: Floats


def read_label(label: BagLabel) -> LabelReading:
    """Check a label: upper > comfort > limit > extreme, as far as stated, and what can be said from it.

    A label with comfort or limit, in order, is judged. Only an extreme (or upper) figure, no figure, or
    figures out of order cannot be; its temperatures then read NaN. NaN counts as not stated.

    Source: ISO 23537-1 (2016, 2022), formerly EN 13537.
    """
    falling = [label.upper_c, label.comfort_c, label.limit_c, label.extreme_c]
    stated = [one for one in falling if one is not None and not math.isnan(one)]
    comfort, limit = _or_nan(label.comfort_c), _or_nan(label.limit_c)
    if any(warm <= cold for warm, cold in pairwise(stated)):
        return LabelReading(LabelState.OUT_OF_ORDER, math.nan, math.nan, False)
    if math.isnan(comfort) and math.isnan(limit):
        only_extreme = not math.isnan(_or_nan(label.extreme_c))
        state = LabelState.ONLY_EXTREME if only_extreme else LabelState.NO_FIGURES
        return LabelReading(state, math.nan, math.nan, False)
    return LabelReading(LabelState.JUDGED, comfort, limit, limit < STANDARD_ENDS_LIMIT_C)


def planning_minimum_c(air_c: ArrayLike, allowance_c: ArrayLike = CLEAR_NIGHT_ALLOWANCE_C) -> Floats:
    """Temperature to plan a night by: the night's lowest air temperature less an allowance, both °C.

    The default 3 °C is for a clear night in a tent; 0 for a heated hut. Source: common practice, no published
    source.
    """
    return plain(floats(air_c) - floats(allowance_c))


def bag_margin(label: BagLabel, sleeping_minimum_c: ArrayLike) -> BagMargin:
    """How far the night stays above the bag's comfort and limit temperature.

    Parameters
    ----------
    label : BagLabel
    sleeping_minimum_c : planning minimum of each night and scenario, °C, any shape: ``planning_minimum_c``.

    Returns
    -------
    BagMargin
        K, shape of the nights. NaN for an unknown night, a figure not stated and a label that cannot be
        judged.

    Source: ISO 23537-1 for the meaning of the figures. Wang et al. 2013 (Appl Ergon 44:321): toes get cold
    first.
    """
    reading, night = read_label(label), floats(sleeping_minimum_c)
    return BagMargin(reading, plain(night - reading.comfort_c), plain(night - reading.limit_c))


def _or_nan(value: float | None) -> float:
    return math.nan if value is None else float(value)
