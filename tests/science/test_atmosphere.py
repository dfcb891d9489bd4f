"""Standard atmosphere and West's equation against published values; each test's id names the source."""

from __future__ import annotations

import numpy as np
import pytest

from api.science import atmosphere as air
from tests.reference.values import Check, as_params, check, checks, params, table

ISA = table("isa_0_9000")


@pytest.fixture(scope="module")
def metpy():
    """MetPy (Unidata), a test-only library."""
    import metpy.calc
    import metpy.units

    return metpy


@pytest.mark.parametrize("reference", params("atmosphere", "isa_p_"))
def test_standard_pressure(reference: Check) -> None:
    pressure_hpa = air.standard_pressure_pa(reference.inputs["H_m"]) / 100.0
    assert pressure_hpa == pytest.approx(reference.value, abs=reference.abs), str(reference)


@pytest.mark.parametrize(
    "row", ISA["rows"], ids=lambda row: f"{row['h_m']} m [U.S. Standard Atmosphere 1976]"
)
def test_standard_atmosphere_table(row: dict[str, float]) -> None:
    h = row["h_m"]
    assert air.standard_temperature_k(h) - 273.15 == pytest.approx(row["T_C_geopotential"], abs=1e-3)
    assert air.standard_pressure_pa(h) / 100 == pytest.approx(row["P_hPa_geopotential"], abs=0.01)
    assert air.standard_temperature_at_elevation_k(h) - 273.15 == pytest.approx(
        row["T_C_geometric"], abs=1e-3
    )
    assert air.standard_pressure_at_elevation_pa(h) / 100 == pytest.approx(row["P_hPa_geometric"], abs=0.01)
    assert air.standard_density_at_elevation_kg_m3(h) == pytest.approx(row["rho_geometric"], abs=1e-5)


def test_geometric_and_geopotential_height_are_not_the_same_thing() -> None:
    """0.28 hPa apart at 5000 m (U.S. Standard Atmosphere 1976, both columns)."""
    apart_hpa = (air.standard_pressure_at_elevation_pa(5000.0) - air.standard_pressure_pa(5000.0)) / 100.0
    assert apart_hpa == pytest.approx(0.28, abs=0.005)


def test_metpy_starts_from_288_0_k_and_so_differs(metpy) -> None:
    """MetPy 1.7.1 gives 540.00 hPa at 5000 m where the standard (288.15 K) gives 540.20."""
    theirs = metpy.calc.height_to_pressure_std(metpy.units.units.Quantity(5000.0, "m")).to("hPa").magnitude
    assert theirs == pytest.approx(540.00, abs=0.01)
    assert air.standard_pressure_pa(5000.0) / 100 == pytest.approx(check("isa_p_5000").value, abs=0.01)


def test_geopotential_height_against_metpy(metpy) -> None:
    """MetPy height_to_geopotential / g; its Earth radius is 14 km larger, which makes 0.03 m at 9000 m."""
    elevation = np.random.default_rng(2).uniform(0.0, 9000.0, 200)
    quantity = metpy.units.units.Quantity(elevation, "m")
    theirs = (metpy.calc.height_to_geopotential(quantity) / metpy.units.units.Quantity(9.80665, "m/s^2")).to(
        "m"
    )
    np.testing.assert_allclose(air.geopotential_height_m(elevation), theirs.magnitude, atol=0.05)


@pytest.mark.parametrize("reference", params("atmosphere", "west_"))
def test_west_pressure(reference: Check) -> None:
    torr = air.west_pressure_pa(reference.inputs["h_km"] * 1000.0) / air.PA_PER_TORR
    assert torr == pytest.approx(reference.value, abs=reference.abs), str(reference)


@pytest.mark.parametrize("reference", params("atmosphere", "amree_"))
def test_west_pressure_is_near_what_was_measured_on_everest(reference: Check) -> None:
    torr = air.west_pressure_pa(reference.inputs["h_km"] * 1000.0) / air.PA_PER_TORR
    assert torr == pytest.approx(reference.value, abs=reference.abs), str(reference)


@pytest.mark.parametrize("reference", as_params([check("amree_8.05"), check("amree_8.848")]))
def test_standard_atmosphere_is_too_low_on_the_highest_mountains(reference: Check) -> None:
    """17 to 18.5 Torr under the measured pressure (West et al., J Appl Physiol 54 (1983) 1188-1194)."""
    torr = air.standard_pressure_pa(reference.inputs["h_km"] * 1000.0) / air.PA_PER_TORR
    assert 16.5 < reference.value - torr < 19.0
    west = air.west_pressure_pa(reference.inputs["h_km"] * 1000.0) / air.PA_PER_TORR
    assert abs(west - reference.value) < 2.5


def test_every_reference_value_of_the_atmosphere_is_used_somewhere() -> None:
    """The inspired oxygen values of the topic are tested in test_altitude.py."""
    prefixes = ("isa_p_", "west_", "amree_", "pio2_")
    assert all(one.id.startswith(prefixes) for one in checks("atmosphere"))


def test_heights_survive_the_round_trip() -> None:
    heights = np.random.default_rng(1).uniform(-5000.0, 11000.0, 500)
    np.testing.assert_allclose(
        air.elevation_from_geopotential_m(air.geopotential_height_m(heights)), heights, atol=1e-6
    )
    np.testing.assert_allclose(
        air.standard_geopotential_m(air.standard_pressure_pa(heights)), heights, atol=1e-6
    )
    assert air.standard_geopotential_m(air.standard_pressure_pa([-5000.0, 11000.0])) == pytest.approx(
        [-5000.0, 11000.0]
    )


@pytest.mark.parametrize("outside", [-5000.1, 11000.1, np.nan, np.inf])
def test_outside_the_troposphere_there_is_no_number(outside: float) -> None:
    for function in (air.standard_temperature_k, air.standard_pressure_pa, air.standard_density_kg_m3):
        assert np.isnan(function(outside))


@pytest.mark.parametrize("outside", [-1.0, 9000.1, np.nan])
def test_outside_its_range_west_gives_no_number(outside: float) -> None:
    assert np.isnan(air.west_pressure_pa(outside))


@pytest.mark.parametrize("outside", [0.0, -1.0, 22_000.0, 180_000.0, np.nan])
def test_a_pressure_outside_the_range_has_no_height(outside: float) -> None:
    assert np.isnan(air.standard_geopotential_m(outside))


def test_scalars_give_floats_and_arrays_keep_their_shape() -> None:
    assert isinstance(air.standard_pressure_pa(3000), float)
    assert air.west_pressure_pa(np.zeros((2, 3))).shape == (2, 3)
    masked = np.ma.masked_array([0.0, 1000.0], mask=[False, True])
    assert np.isnan(air.west_pressure_pa(masked)).tolist() == [False, True]
