"""Tipping points of what is asked of bodies: how much colder or windier, or where the freezing level,
until a flag comes, or goes. Pure.

Changes are looked for on the grid of the axis and then halved in on; one that comes and goes between two
points of the grid is not seen.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from api.body.whole import Body
from api.conditions.forecast import Forecast
from api.conditions.many import evaluate_shifts
from api.conditions.shifts import Shift
from api.readiness.asks import Asks, asks
from api.readiness.body_findings import asked_of_the_body, body_finding, body_gaps
from api.readiness.body_scenarios import body_flags
from api.readiness.evaluation import Evaluation
from api.readiness.lacks import Lacks
from api.readiness.scenarios import Pair, metrics_of
from api.readiness.schemas import Finding
from api.readiness.tipping import REACHES, Axis, Tipped, TippingPoint

AXES = (Axis.FREEZING_LEVEL, Axis.TEMPERATURE, Axis.WIND)
BY_STREAMS = frozenset({"fuel_g", "water_l", "pack_kg", "energy_kj"})
"""What depends on whether water runs, and so on the freezing level by itself."""


@dataclass(slots=True)
class _Change:
    pair: Pair
    near: float
    far: float


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
    return tuple(point for axis in AXES if look.lines(axis) for point in _along(look, axis))


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

    def under(self, axis: Axis, values: Sequence[float]) -> tuple[Asks, Body]:
        """What is asked of bodies, and the bodies, one scenario a shift."""
        now, edition = self.evaluation, self.asked.edition
        shifts = [Shift(**{axis.value: value}) for value in values]  # type: ignore[arg-type]
        shifted = evaluate_shifts(now.plan, self.forecast, shifts, self.previous).conditions
        asked = asks(edition, now.plan, shifted, checks=self.asked.checks, only=self.lines(axis))
        assert now.bodies is not None
        return asked, replace(now.bodies, conditions=shifted)

    def flags(self, axis: Axis, values: Sequence[float]) -> list[frozenset[Pair]]:
        """The flags that appear at each shift."""
        asked, bodies = self.under(axis, values)
        flags = body_flags(asked, self.lacking, bodies, self.lines(axis))
        return [
            frozenset(pair for pair, there in zip(flags.pairs, row, strict=True) if there)
            for row in flags.appears.tolist()
        ]

    def finding(self, axis: Axis, value: float, pair: Pair) -> Finding:
        """The finding at one shift at which the flag appears."""
        asked, bodies = self.under(axis, [value])
        gap = next(
            gap for gap in body_gaps(asked, self.lacking, bodies, lines=self.lines(axis)) if gap.pair == pair
        )
        found = body_finding(gap, asked, self.lacking, self.evaluation.picture, 0)
        assert found is not None
        return found


def _along(look: _Look, axis: Axis) -> list[TippingPoint]:
    reach = REACHES[axis]
    grid = [float(value) for value in reach.grid]
    found = look.flags(axis, grid)
    start = grid.index(reach.neutral)
    changes: list[_Change] = []
    for way in (range(start, len(grid)), range(start, -1, -1)):
        seen: set[Pair] = set()
        for at in way[1:]:
            for pair in sorted((found[at] ^ found[start]) - seen):
                seen.add(pair)
                changes.append(_Change(pair, grid[at - way.step], grid[at]))
    _halve(look, axis, changes, found[start], reach.within)
    together: dict[float, list[Pair]] = {}
    for change in changes:
        together.setdefault(change.far, []).append(change.pair)
    return [
        TippingPoint(
            axis=axis,
            shift=shift,
            within=reach.within,
            appear=tuple(_tipped(look, axis, shift, pair) for pair in pairs if pair not in found[start]),
            go=tuple(_tipped(look, axis, reach.neutral, pair) for pair in pairs if pair in found[start]),
        )
        for shift, pairs in together.items()
    ]


def _halve(
    look: _Look, axis: Axis, changes: list[_Change], at_no_shift: frozenset[Pair], within: float
) -> None:
    """Halve what is still wider than it should be, all changes at once."""
    while wide := [one for one in changes if abs(one.far - one.near) > within * (1.0 + 1e-9)]:
        middles = sorted({(one.near + one.far) / 2.0 for one in wide})
        there = dict(zip(middles, look.flags(axis, middles), strict=True))
        for one in wide:
            middle = (one.near + one.far) / 2.0
            changed = (one.pair in there[middle]) != (one.pair in at_no_shift)
            one.near, one.far = (one.near, middle) if changed else (middle, one.far)


def _tipped(look: _Look, axis: Axis, value: float, pair: Pair) -> Tipped:
    finding = look.finding(axis, value, pair)
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
