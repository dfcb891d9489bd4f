"""Rain or snow and overnight refreeze: published thresholds, MetPy, and what is not known."""

from __future__ import annotations

import numpy as np
import pytest

from api.science import snow
from api.science.snow import Phase, Refreeze


@pytest.fixture(scope="module")
def metpy():
    """MetPy (Unidata), a test-only library."""
    import metpy.calc
    import metpy.units

    return metpy


@pytest.mark.parametrize(
    ("temperature", "phase"),
    [(-0.5, Phase.SNOW), (-0.4, Phase.EITHER), (1.0, Phase.EITHER), (2.4, Phase.EITHER), (2.5, Phase.RAIN)],
)
def test_phase_by_air_temperature(temperature: float, phase: Phase) -> None:
    """Jennings et al., Nature Communications 9 (2018) 1148: mean 1.0 °C, 95 % of stations -0.4 to 2.4
    °C."""
    assert snow.precipitation_phase(temperature) == phase
    assert (snow.SNOW_BELOW_C, snow.EVEN_ODDS_C, snow.RAIN_ABOVE_C) == (-0.4, 1.0, 2.4)


def test_phase_of_the_unknown_is_unknown() -> None:
    assert snow.precipitation_phase([np.nan, -5.0]).tolist() == [Phase.UNKNOWN, Phase.SNOW]


def test_snow_fraction_follows_wang_2019() -> None:
    """Geophys Res Lett 46 (2019) 13825, Eq. 1: half where 6.99e-5 exp(2 (Tw + 3.97)) is 1, that is at
    0.814 °C."""
    half_c = -np.log(6.99e-5) / 2.0 - 3.97
    assert half_c == pytest.approx(0.814, abs=0.001)
    assert snow.snow_fraction(half_c) == pytest.approx(0.5)
    assert snow.snow_fraction([-10.0, 10.0, 500.0]) == pytest.approx([1.0, 0.0, 0.0], abs=1e-6)
    assert np.isnan(snow.snow_fraction(np.nan))
    assert (np.diff(snow.snow_fraction(np.linspace(-5.0, 6.0, 50))) < 0.0).all()


def test_wet_bulb_against_metpys_psychrometer(metpy) -> None:
    """metpy.calc.psychrometric_vapor_pressure_wet at our wet bulb gives back the vapour pressure, ±1 %
    or 0.02 hPa."""
    random = np.random.default_rng(11)
    t, humidity = random.uniform(-15.0, 20.0, 200), random.uniform(15.0, 100.0, 200)
    hpa = random.uniform(450.0, 1000.0, 200)
    wet = snow.wet_bulb_c(t, humidity, hpa * 100.0)
    units = metpy.units.units
    theirs = metpy.calc.psychrometric_vapor_pressure_wet(
        units.Quantity(hpa, "hPa"),
        units.Quantity(t, "degC"),
        units.Quantity(wet, "degC"),
        6.62e-4 / units.kelvin,
    )
    vapour = metpy.calc.saturation_vapor_pressure(units.Quantity(t, "degC")) * humidity / 100.0
    np.testing.assert_allclose(theirs.to("hPa").magnitude, vapour.to("hPa").magnitude, rtol=0.01, atol=0.02)


def test_wet_bulb_is_the_air_temperature_in_saturated_air_and_below_it_otherwise() -> None:
    t = np.linspace(-40.0, 45.0, 60)
    np.testing.assert_allclose(snow.wet_bulb_c(t, 100.0, 60_000.0), t, atol=1e-9)
    np.testing.assert_allclose(snow.wet_bulb_c(t, 103.0, 60_000.0), t, atol=1e-9)
    assert (snow.wet_bulb_c(t, 40.0, 60_000.0) < t).all()


def test_dry_air_snows_where_moist_air_rains() -> None:
    """At 3 °C and 40 % humidity the wet bulb is below 0 °C: the case an air temperature gets wrong
    (Jennings 2018)."""
    dry, moist = (snow.snow_fraction(snow.wet_bulb_c(3.0, rh, 70_000.0)) for rh in (40.0, 95.0))
    assert dry > 0.8
    assert moist < 0.1


@pytest.mark.parametrize(
    ("t", "rh", "pa"),
    [
        (-40.1, 50, 7e4),
        (45.1, 50, 7e4),
        (5, -1, 7e4),
        (5, 106, 7e4),
        (5, 50, 2e4),
        (5, 50, 12e4),
        (np.nan, 50, 7e4),
    ],
)
def test_no_wet_bulb_outside_the_range(t: float, rh: float, pa: float) -> None:
    assert np.isnan(snow.wet_bulb_c(t, rh, pa))


NAN = np.nan


@pytest.mark.parametrize(
    ("air", "cloud", "expected"),
    [
        ([-1.0] * 4 + [3.0] * 4, None, Refreeze.YES),
        ([0.0] * 4, [1.0] * 4, Refreeze.YES),
        ([-1.0] * 3 + [3.0] * 5, None, Refreeze.NO),
        ([1.5] * 8, None, Refreeze.ONLY_IF_CLEAR),
        ([1.5] * 8, [0.0] * 8, Refreeze.YES),
        ([1.5] * 8, [1.0] * 8, Refreeze.NO),
        ([1.0] * 8, [0.5] * 8, Refreeze.YES),
        ([1.1] * 8, [0.5] * 8, Refreeze.NO),
        ([1.5] * 8, [NAN] * 8, Refreeze.ONLY_IF_CLEAR),
        ([1.5] * 8, [7.0] * 8, Refreeze.ONLY_IF_CLEAR),
        ([2.1] * 8, None, Refreeze.NO),
        ([NAN] * 8, None, Refreeze.UNKNOWN),
        ([-1.0] * 4 + [NAN] * 4, None, Refreeze.YES),
        ([-1.0] * 3 + [NAN] + [5.0] * 4, None, Refreeze.UNKNOWN),
        ([-1.0] + [NAN] * 2 + [5.0] * 5, None, Refreeze.NO),
        ([NAN] * 4 + [1.5] * 4, None, Refreeze.UNKNOWN),
    ],
)
def test_overnight_refreeze(air: list[float], cloud: list[float] | None, expected: Refreeze) -> None:
    """Two degrees under a clear sky and four hours: common practice, no published source."""
    assert snow.overnight_refreeze(air, cloud) == expected


def test_refreeze_over_members_and_with_another_step() -> None:
    air = np.array([[-2.0, -2.0, 4.0], [3.0, 3.0, 3.0], [NAN, NAN, NAN]])
    got = snow.overnight_refreeze(air, step_hours=2.0)
    assert got.tolist() == [Refreeze.YES, Refreeze.NO, Refreeze.UNKNOWN]
    assert snow.overnight_refreeze(air[0], step_hours=2.0, hours_needed=5.0) == Refreeze.NO


def test_colder_air_never_makes_refreeze_less_likely() -> None:
    random = np.random.default_rng(12)
    air, cloud = random.normal(0.5, 2.0, (300, 8)), random.uniform(0.0, 1.0, (300, 8))
    warmer, colder = snow.overnight_refreeze(air, cloud), snow.overnight_refreeze(air - 0.7, cloud)
    assert (colder <= warmer).all()


@pytest.mark.parametrize(
    "setting", [{"step_hours": 0.0}, {"hours_needed": 0.0}, {"clear_sky_allowance_k": -1.0}]
)
def test_settings_that_make_no_sense_are_refused_by_name(setting: dict[str, float]) -> None:
    with pytest.raises(ValueError, match=next(iter(setting))):
        snow.overnight_refreeze([0.0], **setting)
