"""All counts of an outfit at hand, and sums over any choice of them. Pure."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from api.seasons.counting import Cell
from api.seasons.measures import MEASURES
from api.seasons.rules import Counts

Mask = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class Cube:
    """Counts by cell, requirement and measure, whatever edition a trip went by."""

    requirements: tuple[str, ...]
    cells: tuple[Cell, ...]
    people: Counts
    counts: npt.NDArray[np.int32]
    """Shape (cell, requirement, measure)."""

    @classmethod
    def of(
        cls, rows: Iterable[tuple[Cell, int, bytes]], requirements_of: Callable[[str], Sequence[str]]
    ) -> Cube:
        """Put rows together; requirements are told apart by id, in the order in which editions list them."""
        listed = list(rows)
        editions = {
            edition: requirements_of(edition) for edition in sorted({c.edition for c, _, _ in listed})
        }
        every = tuple(dict.fromkeys(name for names in editions.values() for name in names))
        at = {name: place for place, name in enumerate(every)}
        columns = {edition: [at[name] for name in names] for edition, names in editions.items()}
        counts = np.zeros((len(listed), len(every), len(MEASURES)), dtype=np.int32)
        for row, (cell, _, packed) in enumerate(listed):
            counts[row, columns[cell.edition]] = np.frombuffer(packed, dtype="<i4").reshape(-1, len(MEASURES))
        people = np.array([people for _, people, _ in listed], dtype=np.int64)
        return cls(every, tuple(cell for cell, _, _ in listed), people, counts)

    def where(self, **wanted: Sequence[object]) -> Mask:
        """The cells that are all of what is wanted, by dimension; an empty choice is none at all."""
        chosen = np.ones(len(self.cells), dtype=np.bool_)
        for dimension, values in wanted.items():
            if values:
                allowed = set(values)
                chosen &= np.array(
                    [getattr(cell, dimension) in allowed for cell in self.cells], dtype=np.bool_
                )
        return chosen

    def total(self, chosen: Mask) -> Counts:
        """The sum over chosen cells, shape (requirement, measure)."""
        if chosen.all():
            return np.asarray(self.counts.sum(axis=0, dtype=np.int64))
        return np.asarray(self.counts[chosen].sum(axis=0, dtype=np.int64))

    def values(self, dimension: str, chosen: Mask | None = None) -> list[object]:
        """What occurs in a dimension, in order."""
        cells = (
            self.cells if chosen is None else [c for c, yes in zip(self.cells, chosen, strict=True) if yes]
        )
        return sorted({getattr(cell, dimension) for cell in cells})

    def by(self, chosen: Mask, group_of: Callable[[Cell], object], groups: Sequence[object]) -> Counts:
        """Sums by group, shape (group, requirement, measure); a cell of no listed group is left out."""
        order = {group: at for at, group in enumerate(groups)}
        result = np.zeros((len(groups), *self.counts.shape[1:]), dtype=np.int64)
        number = np.array([order.get(group_of(cell), -1) for cell in self.cells], dtype=np.int64)
        for at in range(len(groups)):
            here = chosen & (number == at)
            if here.any():
                result[at] = self.counts[here].sum(axis=0, dtype=np.int64)
        return result
