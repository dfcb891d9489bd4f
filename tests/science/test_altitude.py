"""Inspired oxygen, expected saturation and the Lake Louise score against published values."""

from __future__ import annotations

import numpy as np
import pytest

from api.science import altitude, atmosphere
from api.science.altitude import Severity, lake_louise_2018
from tests.reference.values import Check, as_params, check, checks, params, table

TORR = atmosphere.PA_PER_TORR


@pytest.mark.parametrize("reference", params("atmosphere", "pio2_isa_"))
def test_inspired_oxygen_of_the_standard_atmosphere(reference: Check) -> None:
    torr = altitude.inspired_oxygen_standard_pa(reference.inputs["H_m"]) / TORR
    assert torr == pytest.approx(reference.value, abs=reference.abs), str(reference)


def test_inspired_oxygen_on_the_summit_of_everest() -> None:
    reference = check("pio2_summit")
    assert altitude.inspired_oxygen_pa(reference.inputs["PB_Torr"] * TORR) / TORR == pytest.approx(
        reference.value, abs=reference.abs
    ), str(reference)
    assert altitude.inspired_oxygen_west_pa(8848.0) / TORR == pytest.approx(43.05, abs=0.2)


@pytest.mark.parametrize(
    "inspired",
    [altitude.inspired_oxygen_west_pa, altitude.inspired_oxygen_standard_pa],
    ids=["West", "standard"],
)
def test_share_of_sea_level_at_3050_m(inspired) -> None:
    reference = check("pio2_ratio_3050")
    assert inspired(3050.0) / inspired(0.0) == pytest.approx(reference.value, abs=reference.abs), str(
        reference
    )


def test_the_two_atmospheres_differ_most_where_it_matters() -> None:
    """At 8050 and 8848 m the standard atmosphere leaves about 3.5 Torr too little oxygen (West et al.
    1983)."""
    heights = np.array([8050.0, 8848.0])
    apart = (altitude.inspired_oxygen_west_pa(heights) - altitude.inspired_oxygen_standard_pa(heights)) / TORR
    assert ((apart > 3.2) & (apart < 3.8)).all()


def test_no_oxygen_pressure_below_water_vapour_or_outside_the_atmospheres() -> None:
    assert np.isnan(altitude.inspired_oxygen_pa([46.0 * TORR, np.nan])).all()
    assert altitude.inspired_oxygen_pa(altitude.WATER_VAPOUR_PA) == 0.0
    assert np.isnan(altitude.inspired_oxygen_west_pa([-1.0, 9001.0])).all()


@pytest.mark.parametrize("reference", params("altitude", "spo2_2016_"))
def test_expected_saturation_of_mountaineers(reference: Check) -> None:
    got = altitude.expected_spo2_mountaineers(reference.inputs["h_m"])
    assert got == pytest.approx(reference.value, abs=reference.abs), str(reference)
    women = altitude.expected_spo2_mountaineers(reference.inputs["h_m"], women=True)
    assert women - got == pytest.approx(0.7)


@pytest.mark.parametrize("reference", params("altitude", "spo2_2005_"))
def test_expected_saturation_of_the_unacclimatised(reference: Check) -> None:
    got = altitude.expected_spo2_unacclimatised(reference.inputs["h_m"])
    assert got == pytest.approx(reference.value, abs=reference.abs), str(reference)


@pytest.mark.parametrize("reference", as_params([check("spo2_xe_3500"), check("spo2_cdc_3050")]))
def test_expected_saturation_lies_near_other_peoples_measurements(reference: Check) -> None:
    """Means of other studies lie within the spread the docstring warns of."""
    height = reference.inputs["h_m"]
    for got in (altitude.expected_spo2_mountaineers(height), altitude.expected_spo2_unacclimatised(height)):
        assert min(reference.value) - 4.0 <= got <= max(reference.value) + 1.0, str(reference)
    assert altitude.SPO2_SPREAD_POINTS == 8.0


def test_saturation_outside_the_range_of_its_fit_is_no_number() -> None:
    assert np.isnan(altitude.expected_spo2_unacclimatised([4164.1, -1.0, np.nan])).all()
    assert np.isnan(altitude.expected_spo2_mountaineers([1499.0, 7001.0, np.nan])).all()


@pytest.mark.parametrize("reference", as_params(c for c in checks("altitude") if c.id.startswith("lls_")))
def test_lake_louise_cases(reference: Check) -> None:
    got = lake_louise_2018(
        *reference.inputs["items"], hours_since_gain=reference.inputs["hours_since_ascent"]
    )
    expected = reference.value
    assert (got.total, got.ams, got.severity) == (expected["total"], expected["ams"], expected["band"]), str(
        reference
    )


@pytest.mark.parametrize(
    ("items", "total", "severity"), [((3, 0, 0, 0), 3, Severity.MILD), ((2, 2, 1, 1), 6, Severity.MODERATE)]
)
def test_lake_louise_two_more_cases_of_the_rule(
    items: tuple[int, int, int, int], total: int, severity: str
) -> None:
    """Roach et al., High Alt Med Biol 19 (2018) 4-6: headache alone can be enough; 6 is moderate."""
    got = lake_louise_2018(*items, hours_since_gain=8.0)
    assert (got.total, got.ams, got.severity) == (total, True, severity)


def test_bands_of_the_lake_louise_score() -> None:
    for name, (low, high) in table("lake_louise_2018")["bands"].items():
        for total in range(low, high + 1):
            rest = min(9, total - 1) if total <= 10 else 9
            headache = total - rest
            others = (min(3, rest), min(3, max(0, rest - 3)), min(3, max(0, rest - 6)))
            got = lake_louise_2018(headache, *others, hours_since_gain=24.0)
            assert (got.total, got.severity) == (total, name)


def test_nine_points_without_headache_are_not_this_illness_and_not_fine() -> None:
    got = lake_louise_2018(0, 3, 3, 3, hours_since_gain=8.0)
    assert (got.total, got.ams, got.severity, got.high_without_headache) == (9, False, None, True)
    assert not lake_louise_2018(1, 1, 0, 0, hours_since_gain=8.0).high_without_headache


@pytest.mark.parametrize(
    ("hours", "too_early", "ams"), [(5.9, True, None), (6.0, False, True), (None, None, None)]
)
def test_a_score_needs_six_hours_at_height(
    hours: float | None, too_early: bool | None, ams: bool | None
) -> None:
    got = lake_louise_2018(2, 1, 1, 0, hours_since_gain=hours)
    assert (got.too_early, got.ams, got.rule_met) == (too_early, ams, True)


def test_an_early_zero_is_not_an_all_clear() -> None:
    got = lake_louise_2018(0, 0, 0, 0, hours_since_gain=2.0)
    assert (got.rule_met, got.ams) == (False, None)


@pytest.mark.parametrize(
    ("items", "rule_met", "at_least"),
    [
        ((None, 3, 3, 3), None, 9),
        ((1, None, 2, 0), True, 3),
        ((1, None, 0, 0), None, 1),
        ((0, None, 3, 3), False, 6),
        ((None, 0, 0, 0), None, 0),
        ((None, None, None, None), None, 0),
    ],
)
def test_unknown_items_leave_open_what_they_could_decide(
    items: tuple[int | None, ...], rule_met: bool | None, at_least: int
) -> None:
    got = lake_louise_2018(*items, hours_since_gain=8.0)
    assert (got.total, got.rule_met, got.ams, got.at_least, got.severity) == (
        None,
        rule_met,
        rule_met,
        at_least,
        None,
    )


@pytest.mark.parametrize("points", [-1, 4, 1.5])
def test_an_item_outside_0_to_3_is_refused_by_name(points: float) -> None:
    with pytest.raises(ValueError, match=f"fatigue is {points}; give 0, 1, 2 or 3"):
        lake_louise_2018(0, 0, points, 0, hours_since_gain=8.0)  # type: ignore[arg-type]
    with pytest.raises(ValueError, match="hours_since_gain is -1"):
        lake_louise_2018(0, 0, 0, 0, hours_since_gain=-1.0)
