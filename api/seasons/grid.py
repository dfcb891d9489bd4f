"""Many trips at once: what every stage was like under every forecast, and where a condition held. Pure.

Rows are epochs: stretches of a journal in which one plan and one forecast were in force. Columns are stages,
filled up to the longest plan. It answers exactly as `readiness.asks.Weather` does for one trip.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from api.kitlist.metrics import METRICS
from api.kitlist.quantities import in_unit
from api.kitlist.schemas import (
    AllOf,
    Anchor,
    AnyOf,
    AtLeast,
    Below,
    Condition,
    Edition,
    FromAnchor,
    FromLine,
    FromMetric,
    OnTerrain,
    Requirement,
    Threshold,
)
from api.readiness.asks import Truth
from api.seasons import packing

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]
Ints = npt.NDArray[np.int64]

LayerKey = tuple[str, str]
Reader = Callable[[Sequence[LayerKey], Sequence[str]], tuple[list[Floats], list[Bools]]]
"""Reads layers (metric, `low` or `high`) and where metrics are wholly known, over all cells in order."""


@dataclass(frozen=True, eq=False)
class Grid:
    """The stages of all epochs of many trips."""

    trips: tuple[str, ...]
    members: tuple[bytes, ...]
    """Of each trip, packed as `packing.MEMBER`."""
    epoch_trip: Ints
    epoch_seq: Ints
    epoch_minute: Ints
    real: Bools
    """Shape (epoch, stage): false where a plan has fewer stages than the longest."""
    flat: Ints
    """Shape (epoch, stage): place of each real stage in a layer; 0 where there is none."""
    cells: Mapping[str, Floats]
    own: tuple[Mapping[str, Any], ...]
    """The distinct sets of a trip's own lines and of what is supplied at night."""
    own_of: Ints
    """Which of them each epoch has; −1: none."""
    read: Reader
    _layers: dict[LayerKey, Floats] = field(default_factory=dict)
    _complete: dict[str, Bools] = field(default_factory=dict)

    @property
    def shape(self) -> tuple[int, int]:
        return self.real.shape[0], self.real.shape[1]

    def fetch(self, layers: Iterable[LayerKey]) -> None:
        """Read some layers in one pass; others are read when they are asked for."""
        wanted = list(dict.fromkeys(layers))
        keys = [key for key in wanted if key not in self._layers]
        metrics = [
            metric for metric in dict.fromkeys(key[0] for key in wanted) if metric not in self._complete
        ]
        if not keys and not metrics:
            return
        values, known = self.read(keys, metrics)
        for key, layer in zip(keys, values, strict=True):
            self._layers[key] = np.where(self.real, layer[self.flat], np.nan)
        for metric, complete in zip(metrics, known, strict=True):
            self._complete[metric] = complete[self.flat]

    def layer(self, metric: str, side: str) -> Floats:
        """A metric's lowest or highest value by (epoch, stage); NaN where not known."""
        key = packing.LAYERS[packing.layer_of(metric, side)]
        self.fetch([key])
        return self._layers[key]

    def complete(self, metric: str) -> Bools:
        """Where every hour of a metric is known."""
        if metric not in self._complete:
            self.fetch([packing.LAYERS[packing.layer_of(metric, "low")]])
        return self._complete[metric]

    @property
    def ahead(self) -> Bools:
        """Stages that were not over when the forecast was issued."""
        return self.real & (self.cells["ahead"] > 0)


def grid_of(rows: Sequence[tuple[str, bytes, bytes, bytes, str]], read: Reader) -> Grid:
    """Put the epochs of trips together.

    Parameters
    ----------
    rows
        (trip, members, epochs, cells, own lines by epoch as JSON), as they are kept.
    read
        Reads layers of all of these trips, in the same order.
    """
    packed = [row[2] for row in rows]
    together = np.frombuffer(b"".join(packed), dtype=packing.EPOCH)
    counts = np.array([len(one) // packing.EPOCH.itemsize for one in packed], dtype=np.int64)
    stages = together["stages"].astype(np.int64)
    widest = int(stages.max(initial=0))
    first = np.concatenate([[0], np.cumsum(stages)[:-1]]) if stages.size else np.zeros(0, dtype=np.int64)
    column = np.arange(widest)[np.newaxis, :]
    real = column < stages[:, np.newaxis]
    flat = np.where(real, first[:, np.newaxis] + column, 0)
    cells = np.frombuffer(b"".join(row[3] for row in rows), dtype="<f8").reshape(-1, len(packing.CELLS)).T
    if not cells.size:
        cells = np.zeros((len(packing.CELLS), 1))
    own, own_of = _own([row[4] for row in rows], counts)
    return Grid(
        trips=tuple(row[0] for row in rows),
        members=tuple(row[1] for row in rows),
        epoch_trip=np.repeat(np.arange(len(rows)), counts),
        epoch_seq=together["seq"].astype(np.int64),
        epoch_minute=together["minute"].astype(np.int64),
        real=real,
        flat=flat,
        cells={name: np.where(real, cells[at][flat], np.nan) for at, name in enumerate(packing.CELLS)},
        own=own,
        own_of=own_of,
        read=read,
    )


def _own(told: Sequence[str], counts: Ints) -> tuple[tuple[Mapping[str, Any], ...], Ints]:
    """The distinct sets, and which each epoch has. Most trips say the same, so each text is read once."""
    own: list[Mapping[str, Any]] = []
    place: dict[str, int] = {}
    read: dict[str, list[tuple[int, int]]] = {}
    result = np.full(int(counts.sum()), -1, dtype=np.int64)
    start = 0
    for text, many in zip(told, counts.tolist(), strict=True):
        if text not in read:
            read[text] = []
            for at, one in json.loads(text).items():
                key = json.dumps(one, sort_keys=True)
                if key not in place:
                    place[key] = len(own)
                    own.append(one)
                read[text].append((int(at), place[key]))
        for at, which in read[text]:
            result[start + at] = which
        start += many
    return tuple(own), result


@dataclass(frozen=True, eq=False)
class GridWeather:
    """Evaluates the conditions of one edition over a grid; each distinct condition once."""

    edition: Edition
    grid: Grid
    _truths: dict[Condition, Truth] = field(default_factory=dict)

    def truth(self, condition: Condition | None) -> Truth:
        """Where a condition holds, by (epoch, stage); None always does."""
        if condition is None:
            return Truth(self.grid.real, self.grid.real)
        if condition not in self._truths:
            self._truths[condition] = self._work_out(condition)
        return self._truths[condition]

    def _work_out(self, condition: Condition) -> Truth:
        match condition:
            case AllOf(all_=parts):
                result = self.truth(parts[0])
                for part in parts[1:]:
                    result = result & self.truth(part)
                return result
            case AnyOf(any_=parts):
                result = self.truth(parts[0])
                for part in parts[1:]:
                    result = result | self.truth(part)
                return result
            case OnTerrain(terrain=traits):
                ground = np.nan_to_num(self.grid.cells["terrain"]).astype(np.int64)
                there = self.grid.real & ((ground & packing.terrain_bits(traits)) != 0)
                return Truth(there, there)
            case Below(metric=metric, below=threshold):
                return self._crossed(metric, threshold, below=True)
            case AtLeast(metric=metric, at_least=threshold):
                return self._crossed(metric, threshold, below=False)

    def _crossed(self, metric: str, threshold: Threshold, *, below: bool) -> Truth:
        limit = self.threshold(threshold, metric)
        extreme = self.grid.layer(metric, "low" if below else "high")
        with np.errstate(invalid="ignore"):
            known = extreme < limit if below else extreme >= limit
        unknown = self.grid.real & ~self.grid.complete(metric) & ~np.isnan(limit)
        known = known & self.grid.real
        return Truth(known, known | unknown)

    def threshold(self, threshold: Threshold, metric: str) -> Floats:
        """A threshold in the metric's unit, by (epoch, stage) or broadcastable to it."""
        match threshold:
            case str():
                return np.full((1, 1), in_unit(threshold, METRICS[metric].unit))
            case FromAnchor(anchor=anchor, offset=offset):
                return self._anchor(anchor) + in_unit(offset, "m", difference=True)
            case FromLine(line=line_id):
                return self._line(line_id)

    def _line(self, line_id: str) -> Floats:
        line = next(line for line in self.edition.lines if line.id == line_id)
        usual = np.broadcast_to(self.threshold(line.value, line.metric), self.grid.shape)
        result = np.array(usual)
        for which, told in enumerate(self.grid.own):
            if line_id in told["lines"]:
                result[self.grid.own_of == which] = float(told["lines"][line_id])
        return result

    def _anchor(self, anchor: Anchor) -> Floats:
        cells = self.grid.cells
        camp = np.where(self.grid.real, cells["camp"], np.nan)
        match anchor:
            case Anchor.STAGE_CAMP:
                return camp
            case Anchor.STAGE_HIGH:
                return cells["stage-high"]
            case Anchor.HIGH_POINT:
                return cells["high-point"]
            case Anchor.BASE:
                return cells["base"]
            case Anchor.HIGHEST_CAMP:
                return _of_row(camp, np.fmax)
            case Anchor.LOWEST_CAMP:
                return _of_row(camp, np.fmin)
            case Anchor.USUAL_FREEZING_LEVEL:
                return cells["usual"]

    def bound(self, bound: FromMetric, *, at_most: bool) -> Floats:
        """A limit measured from a metric; NaN where the metric is not known."""
        plus = in_unit(bound.plus, METRICS[bound.metric].unit, difference=True) if bound.plus else 0.0
        return self.grid.layer(bound.metric, "low" if at_most else "high") + plus

    def where_needed(self, requirement: Requirement) -> Bools:
        """Everywhere, unless the outfit supplies the item at night; then only where it does not."""
        result = np.array(self.grid.real)
        for which, told in enumerate(self.grid.own):
            supplied = {int(t) for t, ids in told["supplied"].items() if requirement.id in ids}
            if supplied:
                nights = np.zeros(self.grid.shape[1], dtype=np.bool_)
                nights[[t for t in told["nights"] if t not in supplied]] = True
                result[self.grid.own_of == which] = nights
        return result


def _of_row(values: Floats, fold: np.ufunc) -> Floats:
    folded = fold.reduce(values, axis=1, keepdims=True)
    return np.asarray(np.broadcast_to(folded, values.shape))
