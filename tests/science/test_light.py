"""Run time and beam by FL 1; the shares are settings and only their limits and order are tested."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from api.science import light
from tests.reference import values


def test_run_time_ends_at_a_tenth() -> None:
    """ANSI/NEMA FL 1-2009 section 1.2.3."""
    assert values.check("fl1_runtime").value == 100 * light.FL1_END_SHARE


def test_water_ratings() -> None:
    """ANSI FL 1 ratings as published."""
    published = values.table("ip_fl1")
    assert {code: published[code] for code in ("IPX4", "IPX7", "IPX8")} == light.WATER_PROTECTION


@pytest.mark.parametrize("case", values.params("lights", "fl1_beam"))
def test_beam_distance(case: values.Check) -> None:
    assert float(light.beam_distance_m(case.inputs["cd"])) == pytest.approx(case.value, abs=case.abs)


@given(st.floats(0, 1e6))
def test_beam_and_candela_are_inverse(candela: float) -> None:
    assert float(light.peak_candela(light.beam_distance_m(candela))) == pytest.approx(candela, rel=1e-12)


def test_a_forty_hour_label_is_not_forty_hours_of_light() -> None:
    """The label runs down to a tenth of the light: half of it counts, less in the cold (settings, no
    published source).
    """
    assert float(light.usable_light_h(40.0, 1.0)) == 20.0
    assert float(light.usable_light_h(40.0, light.cold_share("alkaline", 0.0))) == 10.0


@pytest.mark.parametrize(("row", "chemistry"), [("Li/FeS2 AA (L91)", "lithium"), ("alkaline AA", "alkaline")])
def test_limits_of_the_cells(row: str, chemistry: str) -> None:
    """Li/FeS2 -40 to 60 °C: maker's handbook; alkaline -18 to 55 °C: from memory."""
    stated = next(one for one in values.table("batteries")["rows"] if one["cell"] == row)
    low, high = stated["min_C"], stated["max_C"]
    assert np.isfinite(light.cold_share(chemistry, [low, high])).all()
    assert np.isnan(light.cold_share(chemistry, [low - 0.1, high + 0.1, math.nan])).all()


def test_alkaline_loses_about_half_in_frost() -> None:
    """A vendor's statement, weak: about 50 % of service between -20 and 0 °C. Ours is never above it."""
    assert np.all(light.cold_share("alkaline", np.linspace(-18, 0, 19)) <= 0.5)


@pytest.mark.parametrize("chemistry", sorted(light.CHEMISTRIES))
def test_colder_never_shines_longer(chemistry: str) -> None:
    known = light.CHEMISTRIES[chemistry]
    share = light.cold_share(chemistry, np.linspace(known.coldest_c, 25.0, 200))
    assert np.all(np.diff(share) >= 0)
    assert share[-1] == 1.0
    assert known.source == "common practice, no published source"


def test_an_unknown_chemistry_is_named() -> None:
    with pytest.raises(KeyError, match="no cell chemistry 'coal'"):
        light.cold_share("coal", 0.0)


def test_margin_and_sets() -> None:
    """Plain arithmetic: 12 h label, half usable, half left in the cold is 3 h a set; 4 h 30 of dark needs
    two.
    """
    one_set = light.usable_light_h(12.0, 0.5)
    assert float(one_set) == 3.0
    assert float(light.light_margin_h(one_set, 4.5)) == -1.5
    assert float(light.light_margin_h(light.usable_light_h(12.0, 0.5, sets=2), 4.5)) == 1.5
    assert light.sets_needed(12.0, 0.5, [0.0, 3.0, 3.1, 4.5, 9.0]).tolist() == [1, 1, 2, 2, 3]
    assert float(light.sets_needed(12.0, 0.5, 3.0, charge=0.5)) == 2.0
    assert light.sets_needed(0.0, 1.0, [0.0, 1.0]).tolist() == [1.0, math.inf]


@given(label=st.floats(0.5, 200), cold=st.floats(0.1, 1), dark=st.floats(0, 20))
def test_the_sets_needed_are_enough_and_one_less_is_not(label: float, cold: float, dark: float) -> None:
    sets = float(light.sets_needed(label, cold, dark))
    assert float(light.usable_light_h(label, cold, sets=sets)) >= dark - 1e-6
    assert sets == 1 or float(light.usable_light_h(label, cold, sets=sets - 1)) < dark


def test_out_of_range_or_unknown_is_nan() -> None:
    assert np.isnan(light.usable_light_h([-1, 10, 10, math.nan, 10], [1, 1.1, -0.1, 1, math.nan])).all()
    assert np.isnan(light.usable_light_h(10, 1, sets=[-1, math.nan])).all()
    assert np.isnan(light.usable_light_h(10, 1, charge=[-0.1, 1.1])).all()
    assert np.isnan(light.usable_light_h(10, 1, usable_share=[0, 1.1])).all()
    assert np.isnan(light.light_margin_h([math.nan, 5, -1], [1, math.nan, 1])).all()
    assert np.isnan(light.sets_needed(10, 1, [math.nan, -1])).all()
    assert np.isnan(light.beam_distance_m([-1, math.nan])).all()
    assert np.isnan(light.peak_candela([-1, math.nan])).all()
