"""Forecasts as tables and as soundings in text, and every fault named by its line and column."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pytest

from api.conditions import variables as cf
from api.conditions.forecast import Forecast, Point, epoch_s
from api.conditions.sources import csv_profile, spc_text
from api.conditions.sources.covjson import Told
from api.errors import Invalid, TooLarge

RUN = datetime(2026, 7, 4, tzinfo=UTC)
TOLD = Told(Point(45.94, 7.86, 4400.0), "a valley office", issued_at=RUN)

TABLE = """\
# model: invented 2 km
# reference_time: 2026-07-03T18:00:00Z
# lat: 45.94
# lon: 7.86
# attribution: Invented office
time,until,member,level[hPa],air_temperature[degC],geopotential_height[m],wind_speed[kt],precipitation_amount[mm]
2026-07-04T03:00:00Z,2026-07-04T06:00:00Z,0,700,4.0,3144,36,
2026-07-04T03:00:00Z,2026-07-04T06:00:00Z,0,600,-3.0,4395,,
2026-07-04T03:00:00Z,2026-07-04T06:00:00Z,0,,,,,1.5
2026-07-04T05:00:00+02:00,,1,700,5.0,3150,40,
"""


def of(text: str, told: Told = TOLD) -> Forecast:
    return csv_profile.read(text.encode(), told)


def faults(text: str, told: Told = TOLD) -> dict[str, str]:
    with pytest.raises(Invalid) as raised:
        of(text, told)
    assert all(field.remedy for field in raised.value.fields)
    return {field.field: field.message for field in raised.value.fields}


def test_a_table_with_members_levels_and_sums() -> None:
    forecast = of(TABLE)
    assert forecast.kind == "ensemble"
    assert forecast.members == ("0", "1")
    assert forecast.levels.tolist() == [70_000.0, 60_000.0]
    assert forecast.times_epoch_s.tolist() == [epoch_s(datetime(2026, 7, 4, 3, tzinfo=UTC))]
    assert forecast.series[cf.TEMPERATURE].values[:, 0].tolist()[0] == pytest.approx([277.15, 270.15])
    wind = forecast.series[cf.WIND].values
    assert wind[0, 0, 0] == pytest.approx(18.52)  # 36 kt; 1 kt = 1852 m/h (NIST SP 811, appendix B)
    assert np.isnan(wind[0, 0, 1])
    rain = forecast.series[cf.PRECIPITATION]
    assert rain.cell == "sum"
    assert rain.bounds_epoch_s is not None
    assert np.diff(rain.bounds_epoch_s[0]).tolist() == [3 * 3600]
    assert forecast.provenance.issued_at == datetime(2026, 7, 3, 18, tzinfo=UTC)
    assert forecast.provenance.model == "invented 2 km"
    assert forecast.provenance.attribution == "Invented office"
    assert forecast.source_point == Point(45.94, 7.86)


def test_altitudes_in_feet_and_fahrenheit_and_no_member() -> None:
    forecast = of(
        "time,level[ft],air_temperature[degF]\n2026-07-04T03:00Z,10000,32\n2026-07-04T03:00Z,12000,\n"
    )
    assert forecast.kind == "deterministic"
    assert forecast.level_kind == "altitude"
    assert forecast.levels.tolist() == [3048.0]
    assert forecast.series[cf.TEMPERATURE].values[0, 0, 0] == pytest.approx(273.15)


@pytest.mark.parametrize("missing", ["", "-9999", "-9999.0", "99999"])
def test_missing_is_never_a_number(missing: str) -> None:
    forecast = of(f"time,freezing_level_altitude[m],wind_speed[m/s]\n2026-07-04T03:00Z,{missing},5\n")
    assert set(forecast.series) == {cf.WIND}


LINE = "2026-07-04T03:00Z,700,4.0\n"
HEAD = "time,level[hPa],air_temperature[degC]\n"


@pytest.mark.parametrize(
    ("text", "where", "says"),
    [
        ("", "line 1", "no header"),
        ("# colour: blue\n" + HEAD + LINE, "line 1", "not known"),
        ("time,level,air_temperature[degC]\n" + LINE, "line 1, column level", "unit of the levels"),
        ("time,level[hPa],air_temperature\n" + LINE, "line 1, column air_temperature", "unit is missing"),
        ("time,level[hPa],air_temperature[m]\n" + LINE, "line 1, column air_temperature[m]", "not a unit"),
        ("time,level[hPa],sunshine[h]\n" + LINE, "line 1, column sunshine[h]", "not a variable"),
        ("level[hPa],air_temperature[degC]\n700,4\n", "line 1, column time", "no column time"),
        ("time,level[hPa]\n2026-07-04T03:00Z,700\n", "line 1", "No column holds"),
        ("time,time,wind_speed[m/s]\n", "line 1, column time", "twice"),
        ("time,precipitation_amount[mm]\n", "line 1, column precipitation_amount[mm]", "which period"),
        (HEAD, "line 1", "no value"),
        (HEAD + "2026-07-04T03:00,700,4\n", "line 2, column time", "no zone"),
        (HEAD + "tomorrow,700,4\n", "line 2, column time", "not a time"),
        (HEAD + LINE + "2026-07-04T03:00Z,six,4\n", "line 3, column level", "not a number"),
        (HEAD + "2026-07-04T03:00Z,700,cold\n", "line 2, column air_temperature[degC]", "not a number"),
        (HEAD + "2026-07-04T03:00Z,700,nan\n", "line 2, column air_temperature[degC]", "not a number"),
        (HEAD + "2026-07-04T03:00Z,700,277\n", "line 2, column air_temperature[degC]", "outside"),
        (HEAD + LINE + "2026-07-04T03:00Z,700,5\n", "line 3, column air_temperature[degC]", "another value"),
        (HEAD + "2026-07-04T03:00Z,700,4,5\n", "line 2, column 4", "more cells"),
        (
            "time,until,precipitation_amount[mm]\n2026-07-04T03:00Z,2026-07-04T02:00Z,1\n",
            "line 2, column until",
            "before it starts",
        ),
        (
            "time,until,precipitation_amount[mm]\n2026-07-04T03:00Z,,1\n",
            "line 2, column until",
            "until when",
        ),
    ],
)
def test_a_fault_is_named_by_line_and_column(text: str, where: str, says: str) -> None:
    found = faults(text)
    assert where in found
    assert says in found[where]


def test_all_faults_are_named_at_once() -> None:
    found = faults(HEAD + "tomorrow,700,4\n2026-07-04T03:00Z,x,y\n")
    assert list(found) == [
        "line 2, column time",
        "line 3, column level",
        "line 3, column air_temperature[degC]",
    ]


def test_a_hopeless_file_is_given_up() -> None:
    with pytest.raises(Invalid, match="at least 20 places"):
        of(HEAD + "x,y,z\n" * 5000)


def test_what_the_file_must_say_besides() -> None:
    assert "issued_at" in faults(HEAD + LINE, Told(TOLD.place, "x"))
    assert "reference_time" in faults("# reference_time: noon\n" + HEAD + LINE)
    assert "lat" in faults("# lat: north\n# lon: 7\n" + HEAD + LINE)
    with pytest.raises(TooLarge, match="2 MB"):
        csv_profile.read(b" " * (csv_profile.MAX_BYTES + 1), TOLD)
    with pytest.raises(Invalid, match="UTF-8"):
        csv_profile.read(b"\xff\xfe\x00", TOLD)


SOUNDING = """\
%TITLE%
 INV   260704/0000

   LEVEL       HGHT       TEMP       DWPT       WDIR       WSPD
-------------------------------------------------------------------
%RAW%
 1000.00,   111.00,  -9999.00,  -9999.00,  -9999.00,  -9999.00
  850.00,  1532.00,     14.25,      9.00,    210.00,      6.00
  700.00,  3144.00,      4.05,     -2.00,    245.00,     19.00
  500.00,  5838.00,    -12.25,    -30.00,    260.00,     36.00
%END%
"""


def test_a_sounding_is_one_profile_at_its_own_time_with_wind_from_knots() -> None:
    assert spc_text.looks_like(SOUNDING.encode())
    forecast = spc_text.read(SOUNDING.encode(), Told(TOLD.place, "a balloon"))
    assert forecast.provenance.issued_at == datetime(2026, 7, 4, tzinfo=UTC)
    assert forecast.levels.tolist() == [100_000.0, 85_000.0, 70_000.0, 50_000.0]
    assert forecast.series[cf.TEMPERATURE].values[0, 0, 1:] == pytest.approx([287.4, 277.2, 260.9])
    assert np.isnan(forecast.series[cf.TEMPERATURE].values[0, 0, 0])
    assert forecast.series[cf.WIND].values[0, 0, 3] == pytest.approx(18.52)
    assert any("not a forecast" in warning for warning in forecast.provenance.warnings)


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (("%END%", ""), "breaks off"),
        (("260704/0000", "noon"), "no station and time"),
        (("14.25", "warm"), "line 8, column air_temperature"),
        ((",      6.00", ""), "line 8: has 5 values"),
    ],
)
def test_a_faulty_sounding_is_refused(change: tuple[str, str], says: str) -> None:
    with pytest.raises(Invalid, match=says):
        spc_text.read(SOUNDING.replace(*change).encode(), TOLD)
