"""Words and pictures of the review that stand beside its numbers."""

from __future__ import annotations

import math

import pytest

from web.charts import seasons as charts


@pytest.mark.parametrize(
    ("p", "says"), [(0.0421, "0.042"), (0.0004, "under 0.001"), (1.0, "1.000"), (math.nan, "not known")]
)
def test_chance_is_never_said_to_be_nought(p: float, says: str) -> None:
    assert charts.chance_words(p) == says
