"""Measurements, each as a ratio to a named baseline taken in the same run, so that they mean the same
anywhere.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Row:
    """One measurement.

    ``ratio`` is the measured figure over the baseline's, larger being better; ``bar`` is the least that is
    accepted, None where there is none. ``figure`` shows both in plain numbers, such as '8070 against 11800
    requests/s'.
    """

    what: str
    baseline: str
    ratio: float
    figure: str
    bar: float | None = None

    @property
    def held(self) -> bool:
        """Whether the bar is held."""
        return self.bar is None or self.ratio >= self.bar
