"""Several sources beside each other, stage by stage. They are never pooled into one. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from api.conditions.evaluate import evaluate
from api.conditions.forecast import Forecast
from api.conditions.stages import StageConditions
from api.journal.trip import TripPlan

SHOWN: tuple[tuple[str, str], ...] = (
    ("freezing_level_m", "low"),
    ("air_temperature_c", "low"),
    ("wind_mps", "high"),
    ("precipitation_mm", "high"),
)
"""Metrics that are compared, and which end of them matters on a stage."""

DIFFERS_BY: Mapping[str, float] = {
    "freezing_level_m": 300.0,
    "air_temperature_c": 4.0,
    "wind_mps": 5.0,
    "precipitation_mm": 5.0,
}
"""From this difference on sources are said to disagree. Common practice, no published source."""


@dataclass(frozen=True, slots=True)
class Said:
    """What one source says about one metric on one stage, where the party is."""

    value: float | None
    """None: it does not say."""
    whole: bool
    """Whether it says so for every hour of the stage."""


@dataclass(frozen=True, slots=True)
class Row:
    """One metric on one stage, by provider."""

    stage: str
    stage_name: str
    metric: str
    said: Mapping[str, Said]
    differs_by: float | None
    """The largest difference between two sources; None when fewer than two say something."""

    @property
    def disagree(self) -> bool:
        return self.differs_by is not None and self.differs_by >= DIFFERS_BY[self.metric]


def compared(plan: TripPlan, forecasts: Mapping[str, Forecast]) -> list[Row]:
    """The forecasts of all providers on all stages, in the order of the stages.

    Of an ensemble the control stands here, of what a guide typed in the best guess.
    """
    conditions = {provider: evaluate(plan, forecast) for provider, forecast in forecasts.items()}
    return [
        _row(index, stage.id, stage.name, metric, end, conditions)
        for index, stage in enumerate(plan.stages)
        for metric, end in SHOWN
    ]


def _row(
    index: int, stage: str, name: str, metric: str, end: str, conditions: Mapping[str, StageConditions]
) -> Row:
    said = {provider: _said(found, metric, end, index) for provider, found in conditions.items()}
    known = [one.value for one in said.values() if one.value is not None]
    differs = max(known) - min(known) if len(known) > 1 else None
    return Row(stage, name, metric, said, differs)


def _said(conditions: StageConditions, metric: str, end: str, index: int) -> Said:
    values = (conditions.low if end == "low" else conditions.high)[metric]
    value = float(values[conditions.base, index])
    whole = bool(conditions.complete[metric][conditions.base, index])
    return Said(None if np.isnan(value) else value, whole)
