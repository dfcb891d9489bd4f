"""Everything the mountain page shows beyond the board, for one state of a trip's journal. Pure."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from functools import cached_property

from api.conditions.evaluate import evaluate as stage_conditions
from api.conditions.forecast import Forecast
from api.conditions.quantities import quantities
from api.journal.trip import Stage
from api.readiness.asks import asks
from api.readiness.body_scenarios import body_flags, possible_of_bodies
from api.readiness.body_tipping import body_tipping_points
from api.readiness.evaluation import Evaluation
from api.readiness.issue_change import Before, issue_change
from api.readiness.outlook import Frequency, IssueChange, PossibleFlag
from api.readiness.scenarios import FlagScenarios, flag_scenarios, frequencies, possible_flags, swayed
from api.readiness.tipping import TippingPoint, tipping_points


@dataclass(frozen=True, eq=False)
class Outlook:
    """A trip under its forecast, with the issues before it; what is not needed is not worked out."""

    evaluation: Evaluation
    issues: tuple[Forecast, ...]
    """The last issues of the provider in force, at most three, oldest first."""
    _tipped: dict[str | None, tuple[TippingPoint, ...]] = field(default_factory=dict, repr=False)

    @property
    def forecast(self) -> Forecast | None:
        return self.issues[-1] if self.issues else None

    @cached_property
    def flags(self) -> FlagScenarios | None:
        """Every flag that weather may sway, in every scenario; None without a kit list."""
        asked, lacking = self.evaluation.asks, self.evaluation.lacks
        if asked is None or lacking is None:
            return None
        pairs = swayed(asked, lacking)
        return flag_scenarios(asked, lacking, self.evaluation.quantities, only=pairs)

    @cached_property
    def of_bodies(self) -> FlagScenarios | None:
        """What is asked of bodies, in every scenario; None where the kit list asks nothing of them."""
        now = self.evaluation
        if now.asks is None or now.lacks is None or now.bodies is None:
            return None
        return body_flags(now.asks, now.lacks, now.bodies)

    @cached_property
    def frequencies(self) -> Mapping[str, Frequency]:
        """In how many scenarios each such flag appears, by the id of its finding."""
        if self.flags is None:
            return {}
        found = frequencies(self.evaluation, self.flags)
        return {**found, **frequencies(self.evaluation, self.of_bodies)} if self.of_bodies else found

    @cached_property
    def possible(self) -> tuple[PossibleFlag, ...]:
        """Flags that only other scenarios raise."""
        if self.flags is None or len(self.evaluation.conditions.scenarios) < 2:
            return ()
        found = possible_flags(self.evaluation, self.flags)
        return (*found, *possible_of_bodies(self.evaluation, self.of_bodies)) if self.of_bodies else found

    @cached_property
    def since(self) -> IssueChange | None:
        """What changed since the issue before; None when there is none."""
        if len(self.issues) < 2 or self.flags is None or not self.evaluation.plan.stages:
            return None
        before = self._before(self.issues[:-1])
        return (
            None
            if before is None
            else issue_change(before, self.evaluation, self.flags, self.issues[-1].provenance)
        )

    def _before(self, issues: Sequence[Forecast]) -> Before | None:
        now = self.evaluation
        if now.asks is None or now.edition is None or self.flags is None:
            return None
        conditions = stage_conditions(now.plan, issues[-1], issues[-2] if len(issues) > 1 else None)
        only = frozenset(r for _, r in self.flags.pairs)
        return Before(
            asks(now.edition, now.plan, conditions, checks=now.asks.checks, only=only),
            quantities(now.plan, conditions, len(now.picture.members)),
            issues[-1].provenance,
        )

    def start_stage(self, now: datetime) -> Stage | None:
        """The stage whose start is worth shifting: the one that goes highest, while it is ahead."""
        stages = self.evaluation.plan.stages
        if not stages:
            return None
        highest = max(stages, key=lambda s: max(s.from_m, s.to_m, *(via.elevation_m for via in s.via)))
        return highest if highest.starts_at > now else None

    def tipping(self, start_of: str | None) -> tuple[TippingPoint, ...]:
        """All tipping points, nearest first; none without a forecast."""
        forecast = self.forecast
        if forecast is None:
            return ()
        if start_of not in self._tipped:
            previous = self.issues[-2] if len(self.issues) > 1 else None
            found = tipping_points(self.evaluation, forecast, previous, start_of=start_of)
            more = body_tipping_points(self.evaluation, forecast, previous)
            self._tipped[start_of] = tuple(sorted((*found, *more), key=lambda point: point.nearness))
        return self._tipped[start_of]
