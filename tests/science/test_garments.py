"""ISO 9920 sums and corrections, and the three area formulas that must not be mixed."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pythermalcomfort.clothing import (
    clo_correction_factor_environment,
    clo_insulation_air_layer,
    clo_intrinsic_insulation_ensemble,
)

from api.science import clothing, garments
from tests.reference import values


@pytest.mark.parametrize("case", values.params("cold_insulation", "iso9920_sum"))
def test_ensemble_by_iso_9920(case: values.Check) -> None:
    assert float(garments.ensemble_clo(case.inputs["garments"])) == pytest.approx(case.value, abs=case.abs)


def test_ensemble_agrees_with_pythermalcomfort() -> None:
    """[0.5, 0.5] gives 0.996 clo there and here (ISO 9920:2009 section 4.3)."""
    assert float(garments.ensemble_clo([0.5, 0.5])) == pytest.approx(0.996, abs=1e-12)
    pieces = [0.2, 0.15, 0.7, 0.24]
    assert float(garments.ensemble_clo(pieces)) == pytest.approx(clo_intrinsic_insulation_ensemble(pieces))


def test_plain_sum_is_higher_from_one_clo_on() -> None:
    """Olesen 1985: the plain sum. The two lines cross at 0.161 / 0.165 clo."""
    assert float(garments.simple_sum_clo([0.2, 0.15, 0.36])) == pytest.approx(0.71)
    assert garments.simple_sum_clo([0.98]) > garments.ensemble_clo([0.98])
    assert garments.simple_sum_clo([0.97]) < garments.ensemble_clo([0.97])


def test_an_unknown_piece_makes_the_sum_unknown() -> None:
    sums = garments.ensemble_clo([[0.2, 0.3], [0.2, math.nan], [0.2, -0.1], [0.0, 0.0]])
    assert np.isnan(sums).tolist() == [False, True, True, True]


@pytest.mark.parametrize("case", values.params("cold_insulation", "iso9920_fig"))
def test_correction_as_read_from_the_figure_of_iso_9920(case: values.Check) -> None:
    got = garments.wind_correction(case.inputs["var"], case.inputs["vw"], case.inputs["Icl"])
    assert float(got) == pytest.approx(case.value, abs=case.abs)


@pytest.mark.parametrize(("wind", "walking", "expected"), [(1.0, 1.0, 0.365), (0.2, 1.0, 0.533)])
def test_air_layer_as_read_from_the_figure_of_iso_9920(wind: float, walking: float, expected: float) -> None:
    """Air layer left of 0.71 clo; readings of the figure used in pythermalcomfort's tests, ±0.005."""
    assert 0.71 * float(garments.air_layer_correction(wind, walking)) == pytest.approx(expected, abs=0.005)


@given(wind=st.floats(0.15, 3.5), walking=st.floats(0, 1.2), icl=st.floats(0, 1.4))
def test_corrections_agree_with_pythermalcomfort(wind: float, walking: float, icl: float) -> None:
    got = garments.wind_correction(wind, walking, icl)
    assert float(got) == pytest.approx(
        float(clo_correction_factor_environment(wind, walking, icl)), rel=1e-12
    )
    air = garments.air_layer_correction(wind, walking)
    assert float(air) == pytest.approx(float(clo_insulation_air_layer(wind, walking, 1.0)), rel=1e-12)


@pytest.mark.parametrize(
    ("wind", "walking", "icl"),
    [
        (0.1, 0, 1),
        (3.6, 0, 1),
        (1, -0.1, 1),
        (1, 1.3, 1),
        (1, 0, 1.5),
        (1, 0, -0.1),
        (math.nan, 0, 1),
        (1, 0, math.nan),
    ],
)
def test_correction_out_of_range_or_unknown_is_nan(wind: float, walking: float, icl: float) -> None:
    assert math.isnan(garments.wind_correction(wind, walking, icl))


def test_trap_three_area_formulas_that_differ() -> None:
    """ISO 9920, 7730 and 11079 give three areas for one clothing (trap 9); each stays with its model."""
    one_clo = [
        float(formula(1.0))
        for formula in (
            garments.area_factor_iso9920,
            garments.area_factor_iso7730,
            clothing.area_factor_iso11079,
        )
    ]
    assert one_clo == pytest.approx([1.28, 1.05 + 0.645 * 0.155, 1.0 + 1.197 * 0.155], abs=1e-12)
    assert len({round(area, 2) for area in one_clo}) == 3
    light = float(garments.area_factor_iso7730(0.5))
    assert light == pytest.approx(1.0 + 1.29 * 0.0775, abs=1e-12)


@pytest.mark.parametrize("icl", [0.19, 1.71, math.nan])
def test_area_by_iso_9920_out_of_range_is_nan(icl: float) -> None:
    assert math.isnan(garments.area_factor_iso9920(icl))


@pytest.mark.parametrize("icl", [-0.1, 2.1, math.nan])
def test_area_by_iso_7730_out_of_range_is_nan(icl: float) -> None:
    assert math.isnan(garments.area_factor_iso7730(icl))


def test_tables_are_the_published_ones_without_seats() -> None:
    published = values.table("garments_clo")
    worn = {
        name: clo
        for name, clo in published["ashrae55"].items()
        if "chair" not in name and "stool" not in name
    }
    assert worn == garments.ASHRAE_55_CLO
    assert published["iso7730_like"] == garments.ISO_7730_CLO


def test_the_same_name_means_different_things_in_the_two_tables() -> None:
    assert float(garments.pieces_of("ashrae55", ["Boots"])[0]) == 0.10
    assert float(garments.pieces_of("iso7730", ["boots"])[0]) == 0.05


def test_a_piece_that_is_not_in_the_table_is_named() -> None:
    with pytest.raises(KeyError, match="no such piece in iso7730: cape"):
        garments.pieces_of("iso7730", ["boots", "cape"])
