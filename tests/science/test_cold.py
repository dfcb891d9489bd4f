"""Wind chill and frostbite against the published charts, cell by cell, and the traps between them."""

from __future__ import annotations

import numpy as np
import pytest

from api.science import cold
from tests.reference.values import Check, checks, params, table

NWS = table("nws_wind_chill_chart_F")
CANADA = table("ec_wind_chill_chart_C")
KMH = 1.0 / cold.KMH_PER_MPS


def cells(rows: list[float], columns: list[float], values: list[list[int]]) -> list[tuple[float, float, int]]:
    return [(r, c, values[i][j]) for i, r in enumerate(rows) for j, c in enumerate(columns)]


US_CELLS = cells(NWS["air_temp_F"], NWS["wind_mph"], NWS["values"])
CANADIAN_CELLS = cells(CANADA["wind_kmh"], CANADA["air_temp_C"], CANADA["values_by_wind"])


@pytest.fixture(scope="module")
def metpy():
    """MetPy (Unidata), a test-only library."""
    import metpy.calc
    import metpy.units

    return metpy


@pytest.mark.parametrize(("temperature_f", "mph", "chart"), US_CELLS)
def test_every_cell_of_the_nws_wind_chill_chart(temperature_f: float, mph: float, chart: int) -> None:
    assert round(float(cold.wind_chill_f(temperature_f, mph))) == chart, NWS["source"]


@pytest.mark.parametrize(("kmh", "temperature_c", "chart"), CANADIAN_CELLS)
def test_every_cell_of_the_environment_canada_chart(kmh: float, temperature_c: float, chart: int) -> None:
    assert round(float(cold.wind_chill_c(temperature_c, kmh * KMH))) == chart, CANADA["source"]


def test_the_charts_are_whole() -> None:
    assert (len(US_CELLS), len(CANADIAN_CELLS)) == (216, 192)


def test_converting_the_metric_formula_to_fahrenheit_rounds_differently_in_13_of_216_cells() -> None:
    """Two formulas, one chart: never convert and then round (NWS chart, FCM-R19-2003)."""
    t, v, chart = (np.array(column, dtype=float) for column in zip(*US_CELLS, strict=True))
    metric_f = cold.wind_chill_c((t - 32.0) / 1.8, v * 1.609344 * KMH) * 1.8 + 32.0
    assert int((np.round(metric_f) != chart).sum()) == 13
    assert np.abs(metric_f - cold.wind_chill_f(t, v)).max() == pytest.approx(0.095, abs=0.001)
    at_20_and_55 = (t == 20.0) & (v == 55.0)
    assert np.round(metric_f[at_20_and_55]).item() == -4
    assert chart[at_20_and_55].item() == -3


@pytest.mark.parametrize("reference", params("wind_chill", "wc_us_"))
def test_us_reference_values(reference: Check) -> None:
    assert round(float(cold.wind_chill_f(*reference.inputs.values()))) == reference.value, str(reference)


@pytest.mark.parametrize("reference", params("wind_chill", "wc_si_"))
def test_metric_reference_values(reference: Check) -> None:
    got = cold.wind_chill_c(reference.inputs["T_C"], reference.inputs["V_kmh"] * KMH)
    assert got == pytest.approx(reference.value, abs=reference.abs), str(reference)


@pytest.mark.parametrize("reference", params("wind_chill", "frost_"))
def test_frostbite_fit_values(reference: Check) -> None:
    got = cold.frostbite_minutes_fit(reference.inputs["T_C"], reference.inputs["V10_kmh"] * KMH)
    assert got == pytest.approx(reference.value, abs=reference.abs), str(reference)


def test_every_reference_value_of_wind_chill_is_used() -> None:
    assert all(one.id.startswith(("wc_us_", "wc_si_", "frost_")) for one in checks("wind_chill"))


def test_metric_formula_against_metpy(metpy) -> None:
    """metpy.calc.windchill, which uses the metric form, over random weather, ±1e-9 °C."""
    random = np.random.default_rng(7)
    t, v = random.uniform(-60.0, 10.0, 300), random.uniform(1.4, 45.0, 300)
    units = metpy.units.units
    theirs = metpy.calc.windchill(units.Quantity(t, "degC"), units.Quantity(v, "m/s"), mask_undefined=False)
    np.testing.assert_allclose(cold.wind_chill_c(t, v), theirs.to("degC").magnitude, atol=1e-9)


def test_where_metpy_masks_wind_chill_ours_is_the_air_temperature(metpy) -> None:
    """FCM-R19-2003: undefined above 50 °F and at 3 mph or less."""
    t, v = np.array([12.0, -5.0, -5.0]), np.array([10.0, 1.2, 10.0])
    units = metpy.units.units
    theirs = metpy.calc.windchill(units.Quantity(t, "degC"), units.Quantity(v, "m/s"))
    assert np.ma.getmaskarray(theirs.magnitude).tolist() == [True, True, False]
    assert cold.wind_chill_holds(t, v).tolist() == [False, False, True]
    assert cold.wind_chill_c(t, v)[:2].tolist() == [12.0, -5.0]


def test_limits_of_wind_chill() -> None:
    assert cold.wind_chill_holds([10.0, 10.01, 0.0, 0.0], [5.0, 5.0, 4.8 * KMH, 4.79 * KMH]).tolist() == [
        True,
        False,
        True,
        False,
    ]
    assert cold.wind_chill_f(20.0, 3.0) == 20.0
    assert cold.wind_chill_f(50.1, 20.0) == pytest.approx(50.1)
    assert cold.wind_chill_f(50.0, 20.0) < 44.0


@pytest.mark.parametrize(
    ("temperature", "wind"), [(np.nan, 5.0), (-5.0, np.nan), (-5.0, -0.1), (-120.0, 5.0), (np.nan, 0.0)]
)
def test_no_number_from_no_weather(temperature: float, wind: float) -> None:
    assert np.isnan(cold.wind_chill_c(temperature, wind))
    assert np.isnan(cold.frostbite_minutes_shortest(temperature, wind))
    assert not cold.wind_chill_holds(temperature, wind)


def test_wind_chill_never_exceeds_the_air_and_falls_with_wind_and_cold() -> None:
    t = np.linspace(-60.0, 10.0, 141)[:, np.newaxis]
    index = cold.wind_chill_c(t, np.linspace(4.8, 150.0, 100) * KMH)
    assert (index <= t).all()
    assert (np.diff(index, axis=0) > 0.0).all()
    assert (np.diff(index, axis=1) < 0.0).all()


@pytest.mark.parametrize(
    ("temperature_c", "kmh"),
    [(-25.0, 25.0), (-25.0, 81.0), (-15.0, 30.0), (-4.8, 40.0), (0.0, 40.0), (5.0, 60.0)],
)
def test_the_fit_says_nothing_outside_its_range(temperature_c: float, kmh: float) -> None:
    """Winds over 25 km/h and less than 15 min (from memory), up to the charts' 80 km/h."""
    assert np.isnan(cold.frostbite_minutes_fit(temperature_c, kmh * KMH))


def test_the_fit_stays_inside_its_range_everywhere() -> None:
    t, v = np.meshgrid(np.linspace(-60.0, 5.0, 131), np.linspace(0.0, 140.0, 141))
    minutes = cold.frostbite_minutes_fit(t, v * KMH)
    given = minutes[~np.isnan(minutes)]
    assert given.size > 1000
    assert given.min() > 0.0
    assert given.max() < 15.0


@pytest.mark.parametrize(
    ("index", "band"),
    [
        (0.0, (np.inf, np.inf)),
        (-27.0, (np.inf, np.inf)),
        (-27.49, (np.inf, np.inf)),
        (-27.5, (10.0, 30.0)),
        (-28.0, (10.0, 30.0)),
        (-39.4, (10.0, 30.0)),
        (-39.6, (5.0, 10.0)),
        (-40.0, (5.0, 10.0)),
        (-47.0, (5.0, 10.0)),
        (-48.0, (2.0, 5.0)),
        (-54.0, (2.0, 5.0)),
        (-55.0, (0.0, 2.0)),
        (-80.0, (0.0, 2.0)),
    ],
)
def test_bands_of_environment_canada(index: float, band: tuple[float, float]) -> None:
    """Canada's Wind Chill Index hazard table, on the rounded index."""
    assert tuple(cold.frostbite_band(index)) == band


def test_bands_agree_with_the_published_table_row_by_row() -> None:
    for row in table("ec_frostbite_bands")["rows"]:
        edges = [row[key] for key in ("wc_min_C", "wc_max_C") if key in row]
        shortest, longest = cold.frostbite_band(edges)
        if "time" in row:
            numbers = [float(part) for part in row["time"].replace("<", "0-").replace("min", "").split("-")]
            assert (set(shortest), set(longest)) == ({numbers[0]}, {numbers[1]}), row
        else:
            assert np.isinf(shortest).all(), row
    assert np.isnan(cold.frostbite_band(np.nan)).all()


def test_nws_frostbite_zones_overlap_so_they_are_no_bands_of_the_index() -> None:
    """10-minute zone -32 to -72 °F, 5-minute zone -48 to -98 °F: one index lies in both."""
    (fact,) = [f["fact"] for f in table("nws_frostbite_zones")["facts"] if "10-minute zone" in f["fact"]]
    assert "-32 to -72 F" in fact
    assert "-48 to -98 F" in fact
    # So ours must be the shorter one for every index: <= -18 °F 30, <= -32 °F 10, <= -48 °F 5 min (the
    # same source).
    index_f = np.arange(-98.0, 20.0)
    ours = cold.frostbite_band((index_f - 32.0) / 1.8).shortest_min
    longest_allowed = np.select(
        [index_f <= -48.0, index_f <= -32.0, index_f <= -18.0], [5.0, 10.0, 30.0], np.inf
    )
    assert (ours <= longest_allowed).all()


def test_the_shortest_is_never_longer_than_either_source() -> None:
    t, v = np.meshgrid(np.linspace(-60.0, 12.0, 145), np.linspace(0.0, 40.0, 81))
    shortest = cold.frostbite_minutes_shortest(t, v)
    fit = cold.frostbite_minutes_fit(t, v)
    assert not np.isnan(shortest).any()
    assert (shortest <= cold.frostbite_band(cold.wind_chill_c(t, v)).shortest_min).all()
    assert (shortest[~np.isnan(fit)] <= fit[~np.isnan(fit)]).all()
    assert (shortest[:, :-1] <= shortest[:, 1:]).all(), "colder is never slower"


def test_above_80_kmh_it_does_not_get_longer() -> None:
    at_80 = cold.frostbite_minutes_shortest(-25.0, 80.0 * KMH)
    assert cold.frostbite_minutes_shortest(-25.0, np.array([90.0, 120.0, 150.0]) * KMH) == pytest.approx(
        np.minimum(
            at_80, cold.frostbite_band(cold.wind_chill_c(-25.0, np.array([90.0, 120.0, 150.0]) * KMH))[0]
        )
    )
    assert at_80 == pytest.approx(cold.frostbite_minutes_fit(-25.0, 80.0 * KMH))


def test_measured_frostnip_is_sooner_in_one_case_of_six_as_the_docstring_says() -> None:
    """Mean time to frostnip of 12 seated people, DTIC ADA454525: frostnip comes before frostbite."""
    sooner = [
        (row["T_C"], row["kmh"])
        for row in table("frostnip_experiment")["rows"]
        if row["min"] < cold.frostbite_minutes_shortest(row["T_C"], row["kmh"] * KMH)
    ]
    assert sooner == [(-30, 32)]
    assert cold.frostbite_minutes_shortest(-30.0, 32.0 * KMH) == 5.0


def test_mild_air_publishes_no_time() -> None:
    assert cold.frostbite_minutes_shortest([3.0, -5.0, 15.0], [10.0, 2.0, 30.0]).tolist() == [np.inf] * 3
