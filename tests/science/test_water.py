"""Boiling, melting, fuel and treatment against IAPWS, CRC, CDC and Backer."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from api.science import water
from tests.reference import values

TORR_HPA = 1013.25 / 760.0
HEIGHTS = [one for one in values.params("water", "boil_") if "H_m" in one.values[0].inputs]


def standard_pressure_hpa(height_m: float) -> float:
    """U.S. Standard Atmosphere 1976 on geopotential height, written out so as not to lean on our own."""
    return 1013.25 * ((288.15 - 0.0065 * height_m) / 288.15) ** 5.255876


def west_pressure_hpa(height_km: float) -> float:
    """West 1996, J Appl Physiol 81:1850."""
    return math.exp(6.63268 - 0.1112 * height_km - 0.00149 * height_km**2) * TORR_HPA


@pytest.mark.parametrize("case", HEIGHTS)
def test_boiling_point_in_the_standard_atmosphere(case: values.Check) -> None:
    got = water.boiling_point_c(standard_pressure_hpa(case.inputs["H_m"]))
    assert float(got) == pytest.approx(case.value, abs=case.abs)


@pytest.mark.parametrize(
    ("pressure_mpa", "kelvin"), [(0.1, 0.372755919e3), (1.0, 0.453035632e3), (10.0, 0.584149488e3)]
)
def test_boiling_point_by_the_verification_table_of_if97(pressure_mpa: float, kelvin: float) -> None:
    """IAPWS-IF97 table 36, computer-program verification of the backward equation (from memory), nine
    digits.
    """
    assert float(water.boiling_point_c(pressure_mpa * 1e4)) + 273.15 == pytest.approx(kelvin, abs=1e-6)


def test_trap_boiling_point_depends_on_whose_atmosphere() -> None:
    """At 5000 m the standard atmosphere gives 83.25 °C, West's 84.14 °C (trap 4): the caller chooses by the
    pressure.
    """
    case = values.check("boil_west_5000")
    west = float(water.boiling_point_c(west_pressure_hpa(5.0)))
    standard = float(water.boiling_point_c(standard_pressure_hpa(5000.0)))
    assert west == pytest.approx(case.value, abs=case.abs)
    assert west - standard == pytest.approx(0.89, abs=0.05)


@pytest.mark.parametrize("pressure", [6.0, 221_000.0, -1.0, math.nan])
def test_boiling_point_out_of_range_or_unknown_is_nan(pressure: float) -> None:
    assert math.isnan(water.boiling_point_c(pressure))


@given(low=st.floats(300, 1050), step=st.floats(1, 50))
def test_more_pressure_boils_hotter(low: float, step: float) -> None:
    assert water.boiling_point_c(low + step) > water.boiling_point_c(low)


@pytest.mark.parametrize("case", values.params("water", "melt_"))
def test_heat_to_melt_snow(case: values.Check) -> None:
    got = water.melt_heat_kjpkg(case.inputs["T_snow_C"], case.inputs["T_water_C"])
    assert float(got) == pytest.approx(case.value, abs=case.abs)


def test_heat_to_melt_colder_snow() -> None:
    """-20 °C snow to 10 °C water with the constants 2.1 / 333.55 / 4.186: 417.41 kJ/kg by arithmetic."""
    assert float(water.melt_heat_kjpkg(-20.0, 10.0)) == pytest.approx(417.41, abs=0.01)


def test_constants_against_iapws_and_crc() -> None:
    """Within the reference tolerance, or on the safe (dearer) side of it for ice below 0 °C."""
    melting = values.check("th_Lf")
    assert pytest.approx(melting.value, abs=melting.abs) == water.MELTING_KJPKG
    ice = values.check("th_c_ice_0")
    assert pytest.approx(ice.value, abs=ice.abs) == water.ICE_KJPKGK
    for colder in ("th_c_ice_-10", "th_c_ice_-20"):
        assert values.check(colder).value < water.ICE_KJPKGK
    assert values.check("th_c_water_20").value < water.WATER_KJPKGK < values.check("th_c_water_0").value
    warm = values.check("th_dh_0_85")
    assert float(water.warm_heat_kjpkg(0.0, 85.0)) == pytest.approx(warm.value, abs=warm.abs)


FUEL_CHECKS = {
    "isobutane": ("th_LHV_isobutane_g", "th_Tb_isobutane"),
    "n-butane": ("th_LHV_nbutane_g", "th_Tb_nbutane"),
    "propane": ("th_LHV_propane_g", "th_Tb_propane"),
    "white gas": ("th_LHV_heptane_l (white-gas proxy)", None),
    "ethanol": ("th_LHV_ethanol_l", None),
}


@pytest.mark.parametrize("name", sorted(FUEL_CHECKS))
def test_fuels_against_heats_of_formation(name: str) -> None:
    """Values of the chemicals library (CRC heats of formation), and normal boiling points."""
    heating, boiling = FUEL_CHECKS[name]
    fuel = water.FUELS[name]
    check = values.check(heating)
    assert fuel.lower_heating_mjpkg == pytest.approx(check.value, abs=check.abs)
    if boiling is None:
        assert fuel.boils_at_c is None
    else:
        point = values.check(boiling)
        assert fuel.boils_at_c == pytest.approx(point.value, abs=point.abs)


@pytest.mark.parametrize(
    ("name", "carbon", "hydrogen", "oxygen", "formation_kjpmol"),
    [
        ("isobutane", 4, 10, 0, -134.2),
        ("n-butane", 4, 10, 0, -125.7),
        ("propane", 3, 8, 0, -103.8),
        ("white gas", 7, 16, 0, -224.2),
        ("ethanol", 2, 6, 1, -277.6),
    ],
)
def test_heating_values_follow_from_hess(
    name: str, carbon: int, hydrogen: int, oxygen: int, formation_kjpmol: float
) -> None:
    """Hess's law; heats of formation of the fuels, CO2 -393.51 and steam -241.83 kJ/mol from memory of CRC;
    ±0.1 MJ/kg.
    """
    released = carbon * 393.51 + hydrogen / 2 * 241.83 + formation_kjpmol
    grams = 12.011 * carbon + 1.008 * hydrogen + 15.999 * oxygen
    assert water.FUELS[name].lower_heating_mjpkg == pytest.approx(released / grams, abs=0.1)


@pytest.mark.parametrize("case", values.params("water", "fuel_"))
def test_fuel_for_a_litre_from_snow(case: values.Check) -> None:
    """Isobutane at 45.4 MJ/kg as the reference says; 1 kg of water at 10 °C from -10 °C snow at 50 %."""
    got = water.fuel_g(water.melt_heat_kjpkg(-10.0, 10.0), 45.4, case.inputs["eta"])
    assert float(got) == pytest.approx(case.value, abs=case.abs)


def test_a_person_day_of_snow_by_the_planning_sheet() -> None:
    """2 L boiled at 95 °C and 2 L melted to 10 °C from -5 °C: 742 and 386 kJ/kg, 2,256 kJ, 103 g at 50 %, 128
    g at 40 % (common practice, worked with 44 MJ/kg; ±1 in the last digit printed).
    """
    assert float(water.melt_heat_kjpkg(-5.0, 95.0)) == pytest.approx(742, abs=1)
    assert float(water.melt_heat_kjpkg(-5.0, 10.0)) == pytest.approx(386, abs=1)
    heat = water.water_heat_kj(2.0, 2.0, 95.0)
    assert float(heat) == pytest.approx(2256, abs=2)
    assert float(water.fuel_g(heat, 44.0, 0.5)) == pytest.approx(103, abs=1)
    assert float(water.fuel_g(heat, 44.0, 0.4)) == pytest.approx(128, abs=1)


def test_running_water_costs_only_the_boiling() -> None:
    assert float(water.water_heat_kj(2.0, 2.0, 90.0, from_snow=False, stream_c=2.0)) == pytest.approx(
        2 * 4.186 * 88
    )
    both = water.water_heat_kj(2.0, 2.0, 90.0, from_snow=[True, False])
    assert both[0] > both[1]


@given(snow=st.floats(-39, -1), warmer=st.floats(0.1, 1), share=st.floats(0.2, 0.9))
def test_colder_snow_and_poorer_stove_burn_more(snow: float, warmer: float, share: float) -> None:
    cold, mild = water.melt_heat_kjpkg(snow, 10.0), water.melt_heat_kjpkg(snow + warmer, 10.0)
    assert cold > mild
    assert water.fuel_g(cold, 45.0, share) > water.fuel_g(cold, 45.0, share + 0.1)


@pytest.mark.parametrize(
    ("heat", "value", "share"),
    [
        (-1, 45, 0.5),
        (1, 0, 0.5),
        (1, 45, 0),
        (1, 45, 1.1),
        (math.nan, 45, 0.5),
        (1, math.nan, 0.5),
        (1, 45, math.nan),
    ],
)
def test_fuel_out_of_range_or_unknown_is_nan(heat: float, value: float, share: float) -> None:
    assert math.isnan(water.fuel_g(heat, value, share))


def test_heat_out_of_range_or_unknown_is_nan() -> None:
    assert np.isnan(water.melt_heat_kjpkg([-41, 0.1, -5, -5, math.nan], [10, 10, -1, 101, 10])).all()
    assert np.isnan(water.warm_heat_kjpkg([-1, 50, 10, math.nan], [10, 40, 101, 10])).all()
    assert np.isnan(water.water_heat_kj([-1, 1, 1], [1, -1, math.nan], 90.0)).all()


def test_planning_line_for_fuel() -> None:
    """60 g where streams run, 150 g where all is melted, a reserve day melts: common practice, no published
    source.
    """
    assert float(water.planning_fuel_g(10, False)) == 600.0
    assert float(water.planning_fuel_g(10, True)) == 1500.0
    assert float(water.planning_fuel_g(10, False, reserve_person_days=4)) == 1200.0
    assert np.isnan(water.planning_fuel_g([-1, math.nan, 1], True, [0, 0, -1])).all()


def test_boiling_time_by_cdc() -> None:
    """CDC: 1 minute; 3 minutes above 2000 m."""
    assert water.boil_minutes([0.0, 2000.0, 2000.1, 5000.0]).tolist() == [1.0, 1.0, 3.0, 3.0]
    assert math.isnan(water.boil_minutes(math.nan))


def test_contact_times_by_backer() -> None:
    """Every entry of the published table."""
    for row in values.table("halogen_contact_min")["rows"]:
        got = water.contact_minutes(row["T_C"], [2.0, 4.0, 8.0])
        assert got.tolist() == [row["ppm2"], row["ppm4"], row["ppm8"]]


@given(temperature=st.floats(5, 40), dose=st.floats(2, 16))
def test_contact_time_is_never_shorter_than_the_table(temperature: float, dose: float) -> None:
    """Between two entries the longer one; colder and weaker never shorter."""
    got = float(water.contact_minutes(temperature, dose))
    for row in values.table("halogen_contact_min")["rows"]:
        for ppm in (2, 4, 8):
            if row["T_C"] >= temperature and ppm >= dose:
                assert got >= row[f"ppm{ppm}"]
    assert float(water.contact_minutes(max(temperature - 3, 5), dose)) >= got
    assert float(water.contact_minutes(temperature, max(dose - 1, 2))) >= got


def test_contact_time_in_water_the_table_does_not_cover_is_nan() -> None:
    assert np.isnan(water.contact_minutes([4.9, 10, math.nan, 10], [4, 1.9, 4, math.nan])).all()


def test_drops_and_tablets() -> None:
    """2 % iodine 5 drops a litre, 30 min (CDC-style advice); chlorine dioxide 30 min, 4 h for the rest (from
    memory).
    """
    rules = " ".join(row["rule"] for row in values.table("water_rules")["rows"])
    assert (
        f"{water.IODINE_2PCT_DROPS_PER_L:.0f} drops per litre, {water.IODINE_2PCT_MINUTES:.0f} min" in rules
    )
    assert f"tablets {water.CHLORINE_DIOXIDE_MINUTES:.0f} min, " in rules
    assert f"{water.CHLORINE_DIOXIDE_LONG_MINUTES / 60:.0f} h for Cryptosporidium" in rules
    assert "double chlorine or iodine in cloudy water" in rules
    assert water.CLOUDY_DOSE_FACTOR == 2.0


def test_lower_and_higher_heating_value_differ_by_the_steam() -> None:
    """Isobutane: 5 mol of water at 44.0 kJ/mol (from memory) lie between the two published values."""
    higher = values.check("th_HHV_isobutane_g")
    steam = 5 * 44.0 / 58.12
    assert water.FUELS["isobutane"].lower_heating_mjpkg + steam == pytest.approx(higher.value, abs=higher.abs)


def test_halogens_do_not_kill_cryptosporidium() -> None:
    """CDC backcountry guide: iodine and chlorine none, chlorine dioxide low to moderate, fine filter and
    boiling high.
    """
    power = {name: one.cryptosporidium for name, one in water.TREATMENTS.items()}
    assert power["iodine"] == power["chlorine"] == "none"
    assert power["chlorine dioxide"] == "low to moderate"
    assert power["filter, absolute 1 micron or finer"] == power["boiling"] == "high"
