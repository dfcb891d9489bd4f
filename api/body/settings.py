"""Figures a guide may set for the estimates; none of them has a published value unless it says so. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from api.conditions.needs import Kitchen
from api.journal.trip import Effort
from api.science.load import METABOLIC_CLASSES_WPM2

EFFORT_WPM2: Mapping[Effort, float] = {
    Effort.EASY: METABOLIC_CLASSES_WPM2["low"],
    Effort.MODERATE: METABOLIC_CLASSES_WPM2["moderate"],
    Effort.HARD: METABOLIC_CLASSES_WPM2["high"],
    Effort.VERY_HARD: METABOLIC_CLASSES_WPM2["very high"],
}
"""Heat made on a stage of this effort, W per m2 of skin: the classes of ISO 8996, from memory. Which class an
effort stands for is ours: easy is low work, moderate is moderate, hard is high, very hard is very high."""


@dataclass(frozen=True)
class BodySettings:
    """What the estimates take for given. Common practice, no published source, unless said otherwise."""

    body_kg: float = 70.0
    """Taken for a person who has not told their own: the standard man of ISO 8996."""
    wind_share: float = 2.0 / 3.0
    """Wind at the body over the forecast's wind at 10 m, as in the wind chill model (Osczevski and Bluestein,
    BAMS 86, 2005). On a crest it may be more: set 1."""
    allowance_c: Mapping[str, float] = field(
        default_factory=lambda: {"tent": 3.0, "bivouac": 5.0, "hut": 0.0, "house": 0.0}
    )
    """Taken off the night's lowest air temperature, by shelter, for a clear sky and ground that is colder
    than the air. An unheated hut is no warmer than the air; what a stove adds is not counted."""
    usable_share: float = 0.5
    """Share of a labelled run time that is light to walk by."""
    body_warm_c: float = 20.0
    """Temperature of cells carried on the body."""
    path_grade_pct: float = 15.0
    steep_grade_pct: float = 30.0
    """Grade of the way, on steep snow and elsewhere, where the plan has no distance for the stage."""
    snow_density_gpcm3: float = 0.10
    """Of new snow, for how far a boot sinks."""
    fastest_mps: float = 1.2
    fastest_steep_mps: float = 0.6
    """Pace that is not exceeded however much strength is left."""
    rest_min_per_h: float = 10.0
    hours: Mapping[str, float] = field(default_factory=dict)
    """A guide's own hours for a stage, by stage id, instead of the estimate."""
    kitchen: Kitchen = field(default_factory=Kitchen)
