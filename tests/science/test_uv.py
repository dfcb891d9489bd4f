"""Ultraviolet against the published rates and classes, and sunglass filters against EN ISO 12312-1."""

from __future__ import annotations

import numpy as np
import pytest

from api.science import uv
from tests.reference.values import check, table

NAMES = {"low": 1, "moderate": 2, "high": 3, "very high": 4, "extreme": 5}


@pytest.mark.parametrize(
    ("reference", "rate"),
    [
        ("uv_per_km_low", uv.UV_PER_KM_WHO_LOW),
        ("uv_per_km_high", uv.UV_PER_KM_WHO_HIGH),
        ("uv_per_km_cost713", uv.UV_PER_KM_COST),
    ],
)
def test_published_rates(reference: str, rate: float) -> None:
    one = check(reference)
    assert 100.0 * (uv.uv_index_at(1.0, 1000.0, rate) - 1.0) == pytest.approx(one.value), str(one)


def test_factor_at_4000_m_spans_the_published_range() -> None:
    """1.32 by COST-713, 1.48 by the higher WHO rate, linear; the default is the cautious one."""
    assert uv.uv_index_at(1.0, 4000.0, uv.UV_PER_KM_COST) == pytest.approx(1.32)
    assert uv.uv_index_at(1.0, 4000.0) == pytest.approx(1.48)
    assert uv.uv_index_at([6.0, 6.0], [0.0, -1000.0]).tolist() == pytest.approx([6.0, 5.28])


@pytest.mark.parametrize(
    ("index", "height"), [(-1.0, 0.0), (5.0, 5001.0), (5.0, -5001.0), (np.nan, 0.0), (5.0, np.nan)]
)
def test_no_uv_index_outside_the_range(index: float, height: float) -> None:
    assert np.isnan(uv.uv_index_at(index, height))


def test_fresh_snow_reflects_as_much_as_80_percent() -> None:
    one = check("snow_reflect")
    assert uv.uv_from_below(10.0) == pytest.approx(10.0 * one.value / 100.0), str(one)
    assert np.isnan(uv.uv_from_below([5.0, 5.0, np.nan, -1.0], [1.1, -0.1, 0.5, 0.5])).all()


@pytest.mark.parametrize(
    "row", table("uvi_categories")["rows"], ids=lambda row: f"{row['name']} [WHO 2002 Table 1]"
)
def test_uv_classes(row: dict) -> None:
    highest = row["max"] if row["max"] is not None else 20
    assert uv.uv_class([row["min"], highest]).tolist() == [NAMES[row["name"]]] * 2


def test_uv_class_rounds_first_and_unknown_is_no_class() -> None:
    assert uv.uv_class([2.49, 2.5, 10.5, np.nan, -0.1]).tolist() == [1, 2, 5, 0, 0]


@pytest.mark.parametrize(
    "row",
    table("sunglass_filters")["rows"],
    ids=lambda row: f"category {row['cat']} [EN ISO 12312-1 Table 1]",
)
def test_sunglass_filters(row: dict) -> None:
    inside = [row["vlt_min_excl"] + 0.1, row["vlt_max_incl"]]
    assert uv.filter_category(inside).tolist() == [row["cat"]] * 2


def test_eight_percent_is_category_4_and_a_little_more_is_3() -> None:
    """EN ISO 12312-1 Table 1: the upper end belongs to the darker category."""
    assert uv.filter_category([8.0, 8.1]).tolist() == [4, 3]
    assert uv.filter_category([3.0, 0.0, 100.1, np.nan]).tolist() == [-1] * 4
    assert int(uv.filter_category(8.0)) == 4
