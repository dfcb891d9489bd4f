"""What each stage will be like, in every scenario: the left-hand matrix of readiness.

A stage's window runs from its start to the start of the next stage, so the night after it belongs to it.
Hourly metrics are evaluated where the party is at that hour and kept both hour by hour and as the lowest and
highest on each stage.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import cached_property

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]
Ints = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Scenario:
    """One possible course of the weather: a single run, a guide's low/best/high, an ensemble member, a
    what-if.
    """

    id: str
    label: str


@dataclass(frozen=True, eq=False)
class StageConditions:
    """Metrics by [scenario, stage] and [scenario, step]. NaN means not known; nothing is filled in.

    `low` and `high` hold the lowest and highest known value on the stage (equal for metrics with one value
    a stage); `complete` says whether every hour of the stage was known, because a threshold that was not
    crossed in the known hours of a half-known stage may still be crossed in the others. NaN with `complete`
    true: the stage has no such thing (a night where none is planned, a glacier to refreeze).

    Steps go stage after stage. The moment at which one stage ends and the next begins is there twice, first
    as the end of the one, then as the start of the other.
    """

    scenarios: tuple[Scenario, ...]
    base: int
    """Index of the scenario that stands for the forecast itself."""
    stages: tuple[str, ...]
    low: Mapping[str, Floats]
    high: Mapping[str, Floats]
    complete: Mapping[str, Bools]
    steps_epoch_s: Ints
    step_stage: Ints
    step_moving: Bools
    step_elevation_m: Floats
    hourly: Mapping[str, Floats]
    methods: Mapping[str, str]
    """How each metric came about here, where that differs from its registry entry."""
    make_version: Callable[[], str]
    """Called when `version` is asked for, which of most conditions it never is."""
    step_lying: Bools = field(default_factory=lambda: np.zeros(0, dtype=np.bool_))
    """Steps in camp in the hours of the night; for a night spent by day, all steps in camp."""
    over: Bools = field(default_factory=lambda: np.zeros(0, dtype=np.bool_))
    """Stages that were over, with the night after them, when the forecast was issued; empty: none."""
    issued_s: int | None = None
    """When the forecast was issued, UTC seconds. Of steps before it nothing is known, and nothing missing."""
    attribution: str = ""
    """Whom the licence of the forecast wants named wherever its numbers are shown."""
    licence: str = ""

    @cached_property
    def version(self) -> str:
        """Changes whenever any number here may have changed."""
        return self.make_version()

    @property
    def step_past(self) -> Bools:
        """Which steps lie before the issue of the forecast."""
        return np.asarray(self.steps_epoch_s < (-np.inf if self.issued_s is None else self.issued_s))

    def moment(self, step: int) -> datetime:
        """The instant of a step, in UTC."""
        return datetime.fromtimestamp(int(self.steps_epoch_s[step]), tz=UTC)
