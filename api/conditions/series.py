"""One variable of a forecast: its values, what each says about its time, and where it came from."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal, get_args

import numpy as np
import numpy.typing as npt

from api.conditions.variables import NEEDS_DATUM, PLAUSIBLE, SI_UNITS
from api.errors import Invalid

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

Cell = Literal["instant", "sum", "max", "mean", "block"]
"""What a value says about its time: the moment itself; the sum, highest or mean over its bounds; or, as a
guide writes it, one figure for the whole block between its bounds."""
Datum = Literal["geoid", "ground"]


@dataclass(frozen=True, slots=True, eq=False)
class Series:
    """One variable.

    `values` is [member, time] or [member, time, level]. `bounds_epoch_s` is [time, 2], the start and end of
    each value's time; every cell but `instant` needs it. A time at which this variable says nothing has NaN
    values, and may have bounds of no length.
    """

    name: str
    values: Floats
    cell: Cell = "instant"
    bounds_epoch_s: Ints | None = None
    datum: Datum | None = None
    above_ground_m: float | None = None
    """Height over the ground for variables given at one, such as 2 m or 10 m."""
    derived: bool = False
    method: str = ""

    @property
    def unit(self) -> str:
        return SI_UNITS[self.name]

    @property
    def by_level(self) -> bool:
        return self.values.ndim == 3

    def __post_init__(self) -> None:
        require(
            self.name in SI_UNITS,
            "series",
            self.name,
            "is not a variable that can be kept",
            f"Use one of: {', '.join(sorted(SI_UNITS))}.",
        )
        where = f"series.{self.name}"
        require(
            self.cell in get_args(Cell),
            f"{where}.cell",
            self.cell,
            "is no cell method",
            f"Use one of: {', '.join(get_args(Cell))}.",
        )
        require(
            self.datum in (None, *get_args(Datum)),
            f"{where}.datum",
            self.datum,
            "is no datum",
            "Use geoid or ground.",
        )
        require(
            (self.datum is not None) == (self.name in NEEDS_DATUM),
            f"{where}.datum",
            self.datum,
            "does not go with this variable",
            "State whether heights are above the geoid (sea level) or the ground; other variables have none.",
        )
        require(
            not self.derived or bool(self.method),
            f"{where}.method",
            self.method,
            "is empty",
            "A derived value must say by which method.",
        )
        object.__setattr__(self, "values", frozen(self.values, np.float64))
        require(
            self.values.ndim in (2, 3),
            f"{where}.values",
            self.values.ndim,
            "has the wrong number of axes",
            "Give member by time, or member by time by level.",
        )
        require(
            not np.isinf(self.values).any(),
            f"{where}.values",
            "infinite",
            "holds an infinite number",
            "Leave a missing value out.",
        )
        self._plausible(where)
        self._bounded(where)

    def _plausible(self, where: str) -> None:
        lowest, highest = PLAUSIBLE.get(self.name, (-1e9, 1e9))
        odd = self.values[(self.values < lowest) | (self.values > highest)]
        if odd.size:
            raise Invalid.field(
                f"{where}.values",
                float(odd[0]),
                f"is outside {lowest:g} to {highest:g} {self.unit}",
                "Check the unit, and leave missing values out.",
            )

    def _bounded(self, where: str) -> None:
        bounds = self.bounds_epoch_s
        if bounds is None:
            require(
                self.cell == "instant",
                f"{where}.bounds",
                None,
                f"is missing for a {self.cell}",
                "Say from when to when each value holds.",
            )
            return
        bounds = frozen(bounds, np.int64)
        object.__setattr__(self, "bounds_epoch_s", bounds)
        times = self.values.shape[1]
        require(
            bounds.shape == (times, 2),
            f"{where}.bounds",
            str(bounds.shape),
            "does not match the values",
            "Give one start and one end for each time.",
        )
        length = bounds[:, 1] - bounds[:, 0]
        require(
            bool((length >= 0).all()),
            f"{where}.bounds",
            "",
            "has an end before its start",
            "Each value must end after it starts.",
        )
        empty = np.isnan(self.values.reshape(self.values.shape[0], times, -1)).all(axis=(0, 2))
        require(
            not bool(((length == 0) & ~empty).any()),
            f"{where}.bounds",
            "",
            "has no length where there is a value",
            "Each value must end after it starts.",
        )
        held = bounds[length > 0]
        require(
            bool((held[1:, 0] >= held[:-1, 1]).all()),
            f"{where}.bounds",
            "",
            "overlaps",
            "Values of one variable must follow one another.",
        )


def frozen(values: npt.ArrayLike, dtype: type) -> npt.NDArray[Any]:
    """A copy that cannot be written to."""
    array: npt.NDArray[Any] = np.array(values, dtype=dtype)
    if dtype is np.float64:
        # One zero and one NaN, so that equal contents are equal bytes.
        array += 0.0
        array[np.isnan(array)] = np.nan
    array.setflags(write=False)
    return array


def require(holds: bool, name: str, value: object, message: str, remedy: str) -> None:
    """Raise Invalid about a field unless something holds."""
    if not holds:
        raise Invalid.field(name, value, message, remedy)
