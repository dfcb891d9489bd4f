"""What a guide types in becomes the neutral forecast: units, scenarios, gaps, every refusal by its field."""

from datetime import datetime
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from api.conditions import variables as cf
from api.conditions.forecast import Forecast, epoch_s
from api.conditions.sources.manual import parse, to_forecast
from api.errors import Invalid
from tests.conditions.kessandry import PLACE, at


def sheet(*blocks: dict[str, Any], **rest: Any) -> dict[str, Any]:
    """A forecast as typed in; a block without times takes six hours from the 13th on."""
    spans = [
        (at(13, "00:00"), at(13, "06:00")),
        (at(13, "06:00"), at(13, "12:00")),
        (at(13, "12:00"), at(13, "18:00")),
    ]
    timed = [
        {"starts_at": start, "ends_at": end, **block}
        for block, (start, end) in zip(blocks, spans, strict=False)
    ]
    return {
        "issued_at": at(12, "18:00"),
        "source_text": "bulletin",
        "who": "Maren",
        "blocks": timed,
        **rest,
    }


def made(*blocks: dict[str, Any], **rest: Any) -> Forecast:
    return to_forecast(parse(sheet(*blocks, **rest)), PLACE)


def faults(*blocks: dict[str, Any], **rest: Any) -> dict[str, str]:
    """Message of each field at fault."""
    with pytest.raises(Invalid) as caught:
        made(*blocks, **rest)
    assert all(field.remedy for field in caught.value.fields)
    return {field.field: field.message for field in caught.value.fields}


def test_everything_that_can_be_written() -> None:
    forecast = made(
        {
            "freezing_level": {"low": 3000, "best": 3200, "high": 3500},
            "temperature": [{"altitude": 4586, "best": -9}],
            "wind": [{"altitude": 4586, "wind": 45, "gust": 70}, {"altitude": 3780, "wind": 20}],
            "precipitation": 3,
            "new_snow": 4,
            "uv_max": 7,
            "thunder": "possible",
        }
    )
    assert forecast.kind == "manual"
    assert forecast.members == ("low", "best", "high")
    assert forecast.base == 1
    assert forecast.levels.tolist() == [3780, 4586]
    assert forecast.series[cf.FREEZING_LEVEL].values[:, 0].tolist() == [3000, 3200, 3500]
    assert forecast.series[cf.FREEZING_LEVEL].datum == "geoid"
    temperature = forecast.series[cf.TEMPERATURE].values
    assert temperature[:, 0, 1] == pytest.approx(264.15)
    assert np.isnan(temperature[:, 0, 0]).all()
    assert forecast.series[cf.WIND].values[1, 0].tolist() == pytest.approx([20 / 3.6, 12.5])
    assert forecast.series[cf.GUST].values[1, 0, 1] == pytest.approx(70 / 3.6)
    assert forecast.series[cf.PRECIPITATION].values[1, 0] == 3
    assert forecast.series[cf.NEW_SNOW].values[1, 0] == pytest.approx(0.04)
    assert forecast.series[cf.UV_CLEAR_SKY].values[1, 0] == 7
    assert forecast.series[cf.THUNDER].values[1, 0] == 1
    assert forecast.provenance.entered_by == "Maren"
    assert forecast.provenance.issued_at == at(12, "18:00")
    assert not any(series.derived for series in forecast.series.values())


def test_units_as_the_guide_reads_them() -> None:
    """Exact conversions: 1 ft = 0.3048 m, 1 mph = 0.44704 m/s, 1 kt = 1852 m/h (NIST SP 811, appendix B)."""
    block = {
        "freezing_level": {"best": 10_000},
        "temperature": [{"altitude": "15,000 ft", "best": 14}],
        "wind": [{"altitude": 15_000, "wind": 30, "gust": "40 kt"}],
        "precipitation": 1,
        "new_snow": 6,
    }
    units = {"altitude": "ft", "temperature": "°F", "wind": "mph", "precipitation": "in", "new_snow": "in"}
    forecast = made(block, units=units)
    assert forecast.levels.tolist() == pytest.approx([4572])
    assert forecast.series[cf.FREEZING_LEVEL].values.item() == pytest.approx(3048)
    assert forecast.series[cf.TEMPERATURE].values.item() == pytest.approx(263.15)
    assert forecast.series[cf.WIND].values.item() == pytest.approx(13.4112)
    assert forecast.series[cf.GUST].values.item() == pytest.approx(40 * 1852 / 3600)
    assert forecast.series[cf.PRECIPITATION].values.item() == pytest.approx(25.4)
    assert forecast.series[cf.NEW_SNOW].values.item() == pytest.approx(0.1524)


def test_only_best_is_one_scenario_and_a_block_without_a_spread_is_the_same_in_all() -> None:
    assert made({"freezing_level": {"best": 3200}}).members == ("best",)
    forecast = made({"freezing_level": {"best": 3200, "low": 3000}}, {"freezing_level": {"best": 3100}})
    assert forecast.members == ("low", "best")
    assert forecast.series[cf.FREEZING_LEVEL].values.tolist() == [[3000, 3100], [3200, 3100]]


def test_what_is_left_out_is_missing_and_never_zero() -> None:
    forecast = made({"freezing_level": {"best": 3200}}, {"precipitation": 2})
    assert np.isnan(forecast.series[cf.FREEZING_LEVEL].values[0, 1])
    assert np.isnan(forecast.series[cf.PRECIPITATION].values[0, 0])
    assert forecast.get(cf.WIND) is None


def test_blocks_in_any_order_with_a_gap() -> None:
    late = {"starts_at": at(14, "00:00"), "ends_at": at(14, "06:00"), "freezing_level": {"best": 3000}}
    forecast = made(late, {"freezing_level": {"best": 3300}})
    assert forecast.times_epoch_s.tolist() == [epoch_s(at(13, "06:00")), epoch_s(at(14, "00:00"))]
    assert forecast.series[cf.FREEZING_LEVEL].values.tolist() == [[3300, 3000]]
    assert forecast.span() == (at(13, "06:00"), at(14, "06:00"))


def test_overlapping_blocks_are_refused_naming_the_later_one() -> None:
    level = {"freezing_level": {"best": 3000}}
    early = {**level, "starts_at": at(12, "20:00"), "ends_at": at(13, "00:30")}
    assert list(faults(level, early)) == ["blocks.0.starts_at"]
    assert list(faults(level, {**level, "starts_at": at(13, "05:30")})) == ["blocks.1.starts_at"]


@pytest.mark.parametrize(
    ("block", "field"),
    [
        ({"freezing_level": {"best": 15_000}}, "blocks.0.freezing_level.best"),
        ({"freezing_level": {"best": "about 3000"}}, "blocks.0.freezing_level.best"),
        ({"freezing_level": {"best": "3000 km/h"}}, "blocks.0.freezing_level.best"),
        ({"freezing_level": {"best": "3.000,5 m"}}, "blocks.0.freezing_level.best"),
        ({"freezing_level": {"best": float("nan")}}, "blocks.0.freezing_level.best"),
        ({"freezing_level": {"best": 3000, "low": 3100}}, "blocks.0.freezing_level.best"),
        ({"freezing_level": {"best": 3000, "high": 2900}}, "blocks.0.freezing_level.high"),
        ({"freezing_level": {"low": 3000}}, "blocks.0.freezing_level.best"),
        ({"temperature": [{"altitude": 4586, "best": 95}]}, "blocks.0.temperature.0.best"),
        ({"temperature": [{"best": -5}]}, "blocks.0.temperature.0.altitude"),
        ({"wind": [{"altitude": 4586, "wind": -4}]}, "blocks.0.wind.0.wind"),
        ({"wind": [{"altitude": 4586, "wind": 40, "gust": 30}]}, "blocks.0.wind.0.gust"),
        ({"wind": [{"altitude": 4586, "wind": 40}, {"altitude": "4586 m", "wind": 3}]}, "blocks.0.wind"),
        ({"precipitation": -1}, "blocks.0.precipitation"),
        ({"new_snow": 501}, "blocks.0.new_snow"),
        ({"uv_max": 31}, "blocks.0.uv_max"),
        ({"thunder": "maybe"}, "blocks.0.thunder"),
        ({"freezing_level": {"best": 3000}, "ends_at": at(13, "00:00")}, "blocks.0.ends_at"),
        ({"freezing_level": {"best": 3000}, "ends_at": datetime(2026, 9, 13, 6)}, "blocks.0.ends_at"),  # noqa: DTZ001
        ({}, "blocks"),
    ],
)
def test_each_fault_is_named(block: dict[str, Any], field: str) -> None:
    assert field in faults(block)


def test_all_faults_are_told_at_once() -> None:
    found = faults(
        {"freezing_level": {"best": 30_000}, "wind": [{"altitude": 4586, "wind": "gale"}]}, {"new_snow": -1}
    )
    assert set(found) == {"blocks.0.freezing_level.best", "blocks.0.wind.0.wind", "blocks.1.new_snow"}


@pytest.mark.parametrize(("altitude", "degrees"), [(4586, 2), (2640, -3)])
def test_temperature_on_the_wrong_side_of_the_freezing_level(altitude: float, degrees: float) -> None:
    found = faults(
        {"freezing_level": {"best": 3500}, "temperature": [{"altitude": altitude, "best": degrees}]}
    )
    assert "contradict" in found["blocks.0.temperature.0.best"]


def test_too_much_is_refused() -> None:
    blocks = [{"freezing_level": {"best": 3000}}] * 101
    with pytest.raises(Invalid, match="blocks"):
        parse(
            {
                **sheet(),
                "blocks": [{**b, "starts_at": at(13, "00:00"), "ends_at": at(13, "06:00")} for b in blocks],
            }
        )


@given(
    st.recursive(
        st.none() | st.booleans() | st.floats() | st.text(max_size=12) | st.integers(),
        lambda inner: (
            st.lists(inner, max_size=3)
            | st.dictionaries(
                st.sampled_from(["blocks", "freezing_level", "best", "wind", "altitude", "0"]), inner
            )
        ),
        max_leaves=12,
    )
)
def test_whatever_is_sent_is_read_or_refused(data: Any) -> None:
    for sent in (data, {**sheet(), "blocks": data}, sheet({"freezing_level": data}), sheet({"wind": data})):
        assert read_or_faults(sent)


def read_or_faults(sent: Any) -> Forecast | list[str]:
    try:
        return to_forecast(parse(sent), PLACE)
    except Invalid as problem:
        return [field.field for field in problem.fields]
