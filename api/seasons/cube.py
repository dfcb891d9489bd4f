"""All counts of an outfit at hand, and sums over any choice of them. Pure."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from api.seasons.counting import Cell, TripCell
from api.seasons.measures import MEASURES
from api.seasons.rules import Counts

Mask = npt.NDArray[np.bool_]
Floats = npt.NDArray[np.float64]
FEW = 2
"""How many measures, the first ones, are enough for comparing shares: asked and lacking."""


@dataclass(frozen=True, slots=True)
class Groups:
    """Which group each cell belongs to, by place in `labels`; −1: none."""

    labels: tuple[object, ...]
    code: Counts


@dataclass(frozen=True, eq=False)
class Cube:
    """Counts by cell, requirement and measure, whatever edition a trip went by."""

    requirements: tuple[str, ...]
    cells: tuple[Cell, ...]
    people: Counts
    counts: Floats
    """Shape (cell, requirement, measure); whole numbers, as floats so that sums are matrix products."""
    trips: tuple[TripCell, ...] = ()
    _groups: dict[str, Groups] = field(default_factory=dict)
    _few: list[Floats] = field(default_factory=list)

    @classmethod
    def of(
        cls,
        rows: Iterable[tuple[Cell, int, bytes]],
        requirements_of: Callable[[str], Sequence[str]],
        trips: Sequence[TripCell] = (),
    ) -> Cube:
        """Put rows together; requirements are told apart by id, in the order in which editions list them."""
        listed = list(rows)
        editions = {
            edition: requirements_of(edition) for edition in sorted({c.edition for c, _, _ in listed})
        }
        every = tuple(dict.fromkeys(name for names in editions.values() for name in names))
        at = {name: place for place, name in enumerate(every)}
        columns = {edition: [at[name] for name in names] for edition, names in editions.items()}
        counts = np.zeros((len(listed), len(every), len(MEASURES)))
        for row, (cell, _, packed) in enumerate(listed):
            counts[row, columns[cell.edition]] = np.frombuffer(packed, dtype="<i4").reshape(-1, len(MEASURES))
        people = np.array([people for _, people, _ in listed], dtype=np.int64)
        return cls(every, tuple(cell for cell, _, _ in listed), people, counts, tuple(trips))

    def groups(self, *dimensions: str) -> Groups:
        """The cells by one dimension, or by several together, labels in order."""
        key = "/".join(dimensions)
        if key not in self._groups:
            values = [tuple(getattr(cell, name) for name in dimensions) for cell in self.cells]
            ordered = sorted(set(values))
            at = {value: place for place, value in enumerate(ordered)}
            labels = tuple(value[0] if len(dimensions) == 1 else value for value in ordered)
            self._groups[key] = Groups(labels, np.array([at[value] for value in values], dtype=np.int64))
        return self._groups[key]

    def where(
        self,
        first: tuple[int, int] | None = None,
        last: tuple[int, int] | None = None,
        **wanted: Sequence[object],
    ) -> Mask:
        """The cells that are all of what is wanted, by dimension; an empty choice is none at all.

        `first` and `last` are months as (season, month), both included.
        """
        chosen = np.ones(len(self.cells), dtype=np.bool_)
        if first or last:
            months = self.groups("season", "month")
            inside = np.array([_between(month, first, last) for month in months.labels], dtype=np.bool_)
            chosen &= inside[months.code]
        for dimension, values in wanted.items():
            if values:
                found = self.groups(dimension)
                chosen &= np.array([label in values for label in found.labels], dtype=np.bool_)[found.code]
        return chosen

    def trips_where(
        self,
        first: tuple[int, int] | None = None,
        last: tuple[int, int] | None = None,
        **wanted: Sequence[object],
    ) -> dict[int, int]:
        """How many trips are all of what is wanted of trips, by season; what people must be is not asked."""
        asked = {name: values for name, values in wanted.items() if values and name in TripCell._fields}
        found: dict[int, int] = {}
        for cell in self.trips:
            month = (cell.season, cell.month)
            if _between(month, first, last) and all(getattr(cell, n) in v for n, v in asked.items()):
                found[cell.season] = found.get(cell.season, 0) + cell.trips
        return found

    def total(self, chosen: Mask) -> Counts:
        """The sum over chosen cells, shape (requirement, measure)."""
        summed = chosen.astype(np.float64) @ _flat(self.counts)
        return np.asarray(np.rint(summed), dtype=np.int64).reshape(self.counts.shape[1:])

    def by(self, chosen: Mask, groups: Groups) -> Counts:
        """Sums by group, shape (group, requirement, measure)."""
        return self._summed(chosen, groups, self.counts)

    def shares_by(self, chosen: Mask, groups: Groups) -> Counts:
        """The same of the first measures only, which is all that comparing shares needs."""
        if not self._few:
            self._few.append(np.ascontiguousarray(self.counts[:, :, :FEW]))
        return self._summed(chosen, groups, self._few[0])

    def _summed(self, chosen: Mask, groups: Groups, counts: Floats) -> Counts:
        member = (groups.code[np.newaxis, :] == np.arange(len(groups.labels))[:, np.newaxis]) & chosen
        summed = member.astype(np.float64) @ _flat(counts)
        whole = np.asarray(np.rint(summed), dtype=np.int64)
        return whole.reshape(len(groups.labels), *counts.shape[1:])

    def chosen_labels(self, chosen: Mask, dimension: str) -> tuple[object, ...]:
        """What occurs in a dimension among chosen cells."""
        found = self.groups(dimension)
        present = np.bincount(found.code[chosen], minlength=len(found.labels)) > 0
        return tuple(label for label, here in zip(found.labels, present, strict=True) if here)


def _between(month: object, first: tuple[int, int] | None, last: tuple[int, int] | None) -> bool:
    assert isinstance(month, tuple)
    return (first is None or first <= month) and (last is None or month <= last)


def _flat(counts: Floats) -> Floats:
    """A row for each cell, also when there is none."""
    return counts.reshape(counts.shape[0], counts.shape[1] * counts.shape[2])
