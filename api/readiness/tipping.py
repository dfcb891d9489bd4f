"""Tipping points: the smallest shift of the forecast, or of a start, at which a flag appears, goes or gets
another grade. Pure.

Many shifts are evaluated at once as scenarios. Where everything a requirement looks at moves in proportion to
the shift, the shifts at which a threshold is met are known beforehand, and one evaluation between each two of
them finds every change exactly. Else (wind chill, minutes to frostbite, refreeze, rain, and every shift of a
start) changes are looked for on a grid and then closed in on; one that comes and goes between two points of
the grid is not seen.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from api.conditions.forecast import Forecast
from api.kitlist.schemas import Grade
from api.readiness.evaluation import Evaluation
from api.readiness.scenarios import Pair
from api.readiness.shifted_trip import (
    REACHES,
    Axis,
    Reach,
    ShiftedTrip,
    in_proportion,
    thresholds_met,
)

__all__ = ["REACHES", "Axis", "Reach", "Tipped", "TippingPoint", "tipping_points"]

Bools = npt.NDArray[np.bool_]
Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Tipped:
    """A flag that changes at a tipping point."""

    id: str
    subject: str
    subject_name: str
    requirement: str
    item: str
    there: bool
    """Whether they have the thing: then it is not enough for it, rather than missing."""
    grade: Grade
    hold_name: str
    """How it is graded past the tipping point; for a flag that goes, how it is graded before it."""
    was_grade: Grade | None = None
    was_hold_name: str | None = None
    """How it is graded just before, for a flag that is graded otherwise."""


@dataclass(frozen=True, slots=True)
class TippingPoint:
    """The smallest shift one way at which some flags change: at it or, for a threshold, just past it.

    `shift` is in the unit of its axis: m, °C, times, minutes. `within`: how much nearer to no shift the true
    one may lie; 0 is exact.
    """

    axis: Axis
    shift: float
    within: float
    appear: tuple[Tipped, ...] = ()
    go: tuple[Tipped, ...] = ()
    regraded: tuple[Tipped, ...] = ()
    """Flags that are there on both sides, but graded otherwise or for another hold point."""
    stage: str | None = None
    """The stage whose start is shifted."""

    @property
    def nearness(self) -> float:
        """How large the shift is, in parts of the range looked at: what is nearest has the least."""
        reach = REACHES[self.axis]
        if reach.neutral:
            return float(
                abs(np.log(self.shift)) / np.log(reach.high if self.shift > 1.0 else 1.0 / reach.low)
            )
        return abs(self.shift) / reach.high


MOST_PARTS = 30
"""Into how many parts a change is split at a time to close in on it."""


@dataclass(frozen=True, slots=True)
class _Change:
    """The first change of one flag one way: it lies past `near` and not past `far`, which is further off."""

    axis: Axis
    flag: int
    near: float
    far: float
    within: float
    was: int
    """How the flag stands at `near`: the number of its grade, 0 where it is not there."""
    stands: int
    """How it stands at `far`."""
    regrades: bool = False
    """Whether the first shift with just this grade is looked for, not the first at which it comes or goes."""

    @property
    def open(self) -> bool:
        """Whether it still has to be closed in on."""
        return abs(self.far - self.near) > self.within * (1.0 + 1e-9)

    def turned(self, stands: Ints, at_no_shift: int) -> Bools:
        """At which of some states of the flag it has changed."""
        if self.regrades:
            return np.asarray(stands == self.stands)
        return np.asarray((stands > 0) != (at_no_shift > 0))


def tipping_points(
    evaluation: Evaluation,
    forecast: Forecast,
    previous: Forecast | None = None,
    *,
    start_of: str | None = None,
) -> tuple[TippingPoint, ...]:
    """All tipping points of a trip, nearest first, for the member that stands for the forecast itself.

    Parameters
    ----------
    evaluation
        The trip under `forecast`, unshifted.
    forecast, previous
        The issue in force and the one before.
    start_of
        Id of the stage whose start is shifted; None leaves starts alone.
    """
    if evaluation.asks is None or evaluation.lacks is None or not evaluation.plan.stages:
        return ()
    trip = ShiftedTrip(evaluation, evaluation.asks, evaluation.lacks, forecast, previous, start_of)
    axes = [axis for axis in Axis if axis is not Axis.START or start_of is not None]
    met = {axis: _within(REACHES[axis], thresholds_met(trip, axis)) for axis in axes}
    values = {axis: _looked_at(REACHES[axis], met[axis]) for axis in axes}
    stands = trip.look(values)
    changes = [
        _at_threshold(trip, met[axis], change)
        for axis in axes
        for change in _first_changes(axis, values[axis], stands[axis])
    ]
    if not changes:
        return ()
    at_no_shift = stands[axes[0]][int(np.searchsorted(values[axes[0]], REACHES[axes[0]].neutral))]
    points = _points(trip, _closed_in(trip, changes, at_no_shift))
    return tuple(sorted(points, key=lambda point: point.nearness))


def _within(reach: Reach, shifts: Iterable[float]) -> Floats:
    return np.unique([shift for shift in shifts if reach.low < shift < reach.high])


def _looked_at(reach: Reach, met: Floats) -> Floats:
    """The grid, and a point between each two thresholds."""
    between = [(a + b) / 2 for a, b in pairwise([reach.low, *met.tolist(), reach.high])]
    return np.unique([*reach.grid, *between])


def _first_changes(axis: Axis, values: Floats, stands: Ints) -> Iterator[_Change]:
    """For each flag and each way, the neighbouring shifts between which it first comes or goes, and those
    between which it first gets each other grade."""
    reach = REACHES[axis]
    start = int(np.searchsorted(values, reach.neutral))
    for shifts, rows in ((values[start:], stands[start:]), (values[start::-1], stands[start::-1])):
        for n in np.flatnonzero((rows != rows[0]).any(axis=0)).tolist():
            yield from _changes_of_flag(axis, n, shifts, rows[:, n])


def _changes_of_flag(axis: Axis, flag: int, shifts: Floats, stands: Ints) -> Iterator[_Change]:
    def change(first: int, *, regrades: bool) -> _Change:
        near, far = float(shifts[first - 1]), float(shifts[first])
        was, now = int(stands[first - 1]), int(stands[first])
        return _Change(axis, flag, near, far, REACHES[axis].within, was, now, regrades)

    known = {0, int(stands[0])}
    comes_or_goes = (stands > 0) != (stands[0] > 0)
    if comes_or_goes.any():
        first = int(np.argmax(comes_or_goes))
        known.add(int(stands[first]))
        yield change(first, regrades=False)
    for grade in dict.fromkeys(stands.tolist()):
        first = int(np.argmax(stands == grade))
        if grade not in known and stands[first - 1] > 0:
            yield change(first, regrades=True)


def _points(trip: ShiftedTrip, changes: Iterable[_Change]) -> Iterator[TippingPoint]:
    """Changes at one and the same shift, together."""
    together: dict[tuple[Axis, float, float], list[_Change]] = {}
    for change in changes:
        together.setdefault((change.axis, change.far, change.within), []).append(change)
    for (axis, shift, within), here in together.items():
        yield TippingPoint(
            axis=axis,
            shift=shift,
            within=within,
            appear=_tipped(trip, [one for one in here if not one.regrades and one.stands]),
            go=_tipped(trip, [one for one in here if not one.regrades and not one.stands]),
            regraded=_tipped(trip, [one for one in here if one.regrades]),
            stage=trip.start_of if axis is Axis.START else None,
        )


def _at_threshold(trip: ShiftedTrip, met: Floats, change: _Change) -> _Change:
    """The change put on the one threshold that can have made it, where that is certain."""
    low, high = sorted((change.near, change.far))
    inside = met[(met >= low) & (met <= high)]
    r = trip.pairs[change.flag][1]
    requirement = trip.lacks.edition.requirements[r]
    if inside.size != 1 or not in_proportion(change.axis, requirement, trip.metrics[r]):
        return change
    shift = float(inside[0])
    return replace(change, near=shift, far=shift, within=0.0)


def _closed_in(trip: ShiftedTrip, changes: Sequence[_Change], at_no_shift: Ints) -> list[_Change]:
    """Split what is still open into parts, again and again, until all is within the reach's closeness."""
    kept = list(changes)
    while wide := {(change.axis, change.near, change.far, change.within) for change in kept if change.open}:
        steps = {(axis, near, far): _steps(near, far, within) for axis, near, far, within in wide}
        values = {
            axis: np.unique(np.concatenate([inner for key, inner in steps.items() if key[0] is axis]))
            for axis in {key[0] for key in steps}
        }
        flags = sorted({change.flag for change in kept if change.open})
        looked = trip.look(values, flags)
        for i, change in enumerate(kept):
            if change.open:
                inner = steps[change.axis, change.near, change.far]
                rows = np.searchsorted(values[change.axis], inner)
                stands = looked[change.axis][rows, change.flag]
                turned = change.turned(stands, int(at_no_shift[change.flag]))
                first = int(np.argmax(turned)) if turned.any() else inner.size
                ends = [change.near, *inner.tolist(), change.far]
                states = [change.was, *stands.tolist(), change.stands]
                kept[i] = replace(
                    change,
                    near=ends[first],
                    far=ends[first + 1],
                    was=states[first],
                    stands=states[first + 1],
                )
    return kept


def _steps(near: float, far: float, within: float) -> Floats:
    """Points that split the way from one shift to another, without its ends."""
    parts = max(2, min(MOST_PARTS, round(abs(far - near) / within)))
    return np.linspace(near, far, parts + 1)[1:-1]


def _tipped(trip: ShiftedTrip, changes: Sequence[_Change]) -> tuple[Tipped, ...]:
    """The flags of everyone concerned, in the order of people and requirements."""
    found = [(pair, change) for change in changes for pair in trip.alike[change.flag]]
    return tuple(_one_tipped(trip, pair, change) for pair, change in sorted(found, key=lambda one: one[0]))


def _one_tipped(trip: ShiftedTrip, pair: Pair, change: _Change) -> Tipped:
    p, r = pair
    subject, requirement = trip.lacks.subjects[p], trip.lacks.edition.requirements[r]
    grade, hold_name = trip.grades[(change.stands or change.was) - 1]
    was = trip.grades[change.was - 1] if change.regrades else (None, None)
    return Tipped(
        id=f"{subject.id}.{requirement.id}",
        subject=subject.id,
        subject_name=subject.name,
        requirement=requirement.id,
        item=requirement.item,
        there=(p, trip.asks.checks_of_requirement(r)[0]) not in trip.lacks.gaps,
        grade=grade,
        hold_name=hold_name,
        was_grade=was[0],
        was_hold_name=was[1],
    )
