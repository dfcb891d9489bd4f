"""Tipping points of what is asked of bodies: how much colder or windier, or where the freezing level,
until a flag comes, or goes. Pure.

Two passes, each with one scenario a shift: first all points of the grids of all axes, then the points between
those two of a grid between which something changed. What comes and goes again between two points of a grid is
not seen.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from api.conditions.forecast import Forecast
from api.conditions.many import evaluate_shifts
from api.conditions.shifts import Shift
from api.readiness.asks import Asks, asks
from api.readiness.body_findings import BodyGap, asked_of_the_body, body_finding, body_gaps
from api.readiness.body_scenarios import flags_of
from api.readiness.evaluation import Evaluation
from api.readiness.lacks import Lacks
from api.readiness.scenarios import Pair, metrics_of
from api.readiness.tipping import REACHES, Axis, Tipped, TippingPoint

AXES = (Axis.FREEZING_LEVEL, Axis.TEMPERATURE, Axis.WIND)
BY_STREAMS = frozenset({"fuel_g", "water_l", "pack_kg", "energy_kj"})
"""What depends on whether water runs, and so on the freezing level by itself."""
OF_THE_AIR = frozenset({"air_temperature_c", "wind_mps"})
"""What bodies feel, of the metrics that are left out where nothing looks at them."""

Place = tuple[Axis, float]
"""A shift along one axis."""


class _Step(NamedTuple):
    """A stretch of an axis within which something changes, from the end nearer to no shift."""

    axis: Axis
    near: float
    far: float

    @property
    def middle(self) -> float:
        return (self.near + self.far) / 2.0

    @property
    def wide(self) -> bool:
        return abs(self.far - self.near) > REACHES[self.axis].within * (1.0 + 1e-9)

    def halves(self) -> tuple[_Step, _Step]:
        return _Step(self.axis, self.near, self.middle), _Step(self.axis, self.middle, self.far)


class _Change(NamedTuple):
    """One flag that is at the far end of a step otherwise than without a shift, and at the near not yet."""

    pair: Pair
    step: _Step


@dataclass(frozen=True)
class _Seen:
    """The flags about bodies at some shifts."""

    evaluation: Evaluation
    asked: Asks
    lacking: Lacks
    scenario: Mapping[Place, int]
    gaps: Mapping[Pair, BodyGap]
    flags: Sequence[frozenset[Pair]]

    def there(self, place: Place) -> frozenset[Pair]:
        return self.flags[self.scenario[place]]

    def tipped(self, place: Place, pair: Pair) -> Tipped:
        """The flag as it stands at a shift at which it appears."""
        picture, scenario = self.evaluation.picture, self.scenario[place]
        finding = body_finding(self.gaps[pair], self.asked, self.lacking, picture, scenario)
        assert finding is not None
        return Tipped(
            id=finding.id,
            subject=finding.subject,
            subject_name=finding.subject_name,
            requirement=finding.requirement,
            item=finding.item,
            there=True,
            grade=finding.grade,
            hold_name=finding.hold_name,
        )


@dataclass(frozen=True)
class _Look:
    evaluation: Evaluation
    asked: Asks
    lacking: Lacks
    forecast: Forecast
    previous: Forecast | None

    def lines(self, axis: Axis) -> frozenset[int]:
        """Indices of the requirements about bodies that may change along an axis."""
        return frozenset(
            r
            for r, one in enumerate(self.asked.edition.requirements)
            if asked_of_the_body(one)
            and (axis is not Axis.FREEZING_LEVEL or one.how_many.computed in BY_STREAMS or metrics_of(one))
        )

    def at(self, places: Sequence[Place]) -> _Seen:
        """The flags at some shifts, all worked out together; of each axis those that may change along it."""
        now, lines = self.evaluation, {axis: self.lines(axis) for axis in {axis for axis, _ in places}}
        shifts = [Shift(**{axis.value: value}) for axis, value in places]  # type: ignore[arg-type]
        some = frozenset[int]().union(*lines.values())
        looked_at = OF_THE_AIR.union(*(metrics_of(self.asked.edition.requirements[r]) for r in some))
        shifted = evaluate_shifts(now.plan, self.forecast, shifts, self.previous, wanted=looked_at).conditions
        asked = asks(self.asked.edition, now.plan, shifted, checks=self.asked.checks, only=())
        assert now.bodies is not None
        bodies = replace(now.bodies, conditions=shifted)
        gaps = tuple(body_gaps(asked, self.lacking, bodies, lines=some))
        flags = flags_of(gaps, asked, self.lacking)
        flagged = [
            frozenset(flags.pairs[n] for n in np.flatnonzero(row) if flags.pairs[n][1] in lines[axis])
            for (axis, _), row in zip(places, flags.appears, strict=True)
        ]
        scenario = {place: s for s, place in enumerate(places)}
        return _Seen(now, asked, self.lacking, scenario, {gap.pair: gap for gap in gaps}, flagged)


def body_tipping_points(
    evaluation: Evaluation, forecast: Forecast, previous: Forecast | None = None
) -> tuple[TippingPoint, ...]:
    """The first change of every flag about bodies, one way and the other, by freezing level, temperature and
    wind.

    Parameters
    ----------
    evaluation
        The trip under `forecast`, unshifted.
    forecast, previous
        The issue in force and the one before; the member counts that stands for the forecast itself.
    """
    asked, lacking = evaluation.asks, evaluation.lacks
    if asked is None or lacking is None or evaluation.bodies is None:
        return ()
    look = _Look(evaluation, asked, lacking, forecast, previous)
    axes = [axis for axis in AXES if look.lines(axis)]
    if not axes:
        return ()
    coarse = look.at([(axis, float(value)) for axis in axes for value in REACHES[axis].grid])
    changes = [change for axis in axes for change in _changes(coarse, axis)]
    places = sorted({place for step in {change.step for change in changes} for place in _between(step)})
    fine = look.at(places) if places else coarse
    return _together([_closed_in(change, coarse, fine) for change in changes], coarse, fine)


def _changes(coarse: _Seen, axis: Axis) -> list[_Change]:
    """The first change of each flag along the grid, both ways from no shift."""
    reach = REACHES[axis]
    grid = [float(value) for value in reach.grid]
    start = grid.index(reach.neutral)
    unshifted = coarse.there((axis, reach.neutral))
    changes = []
    for way in (range(start, len(grid)), range(start, -1, -1)):
        seen: set[Pair] = set()
        for at in way[1:]:
            for pair in sorted((coarse.there((axis, grid[at])) ^ unshifted) - seen):
                seen.add(pair)
                changes.append(_Change(pair, _Step(axis, grid[at - way.step], grid[at])))
    return changes


def _between(step: _Step) -> list[Place]:
    """Every point at which halving may have to look."""
    if not step.wide:
        return []
    return [(step.axis, step.middle), *(place for half in step.halves() for place in _between(half))]


def _closed_in(change: _Change, coarse: _Seen, fine: _Seen) -> _Change:
    """The step halved until it is no wider than it should be."""
    pair, step = change
    unshifted = pair in coarse.there((step.axis, REACHES[step.axis].neutral))
    while step.wide:
        nearer, farther = step.halves()
        changed = (pair in fine.there((step.axis, step.middle))) != unshifted
        step = nearer if changed else farther
    return _Change(pair, step)


def _together(changes: Sequence[_Change], coarse: _Seen, fine: _Seen) -> tuple[TippingPoint, ...]:
    """The changes as points, those at the same shift as one."""
    at: dict[Place, list[Pair]] = {}
    for change in changes:
        at.setdefault((change.step.axis, change.step.far), []).append(change.pair)
    points = []
    for (axis, shift), pairs in at.items():
        unshifted = (axis, REACHES[axis].neutral)
        seen = coarse if (axis, shift) in coarse.scenario else fine
        points.append(
            TippingPoint(
                axis=axis,
                shift=shift,
                within=REACHES[axis].within,
                appear=tuple(
                    seen.tipped((axis, shift), pair) for pair in pairs if pair not in coarse.there(unshifted)
                ),
                go=tuple(coarse.tipped(unshifted, pair) for pair in pairs if pair in coarse.there(unshifted)),
            )
        )
    return tuple(points)
