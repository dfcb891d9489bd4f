"""A typed-in forecast from form fields: local times, empty rows, and faults under the form's own names."""

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from api.conditions.forecast import Forecast
from api.conditions.sources.manual import parse, to_forecast
from api.conditions.sources.manual_form import ForecastForm
from api.errors import Invalid
from tests.conditions.kessandry import PLACE, ZONE, at

FIELDS = {
    "issued_at": "2026-09-13T18:00",
    "source_text": "evening bulletin",
    "units-wind": "kt",
    "blocks-0-starts_at": "2026-09-14T00:00",
    "blocks-0-ends_at": "2026-09-14T06:00",
    "blocks-0-freezing_level-low": "",
    "blocks-0-freezing_level-best": "2950",
    "blocks-0-wind-0-altitude": "4586",
    "blocks-0-wind-0-wind": "30",
    "blocks-0-wind-1-altitude": "3780",
    "blocks-0-wind-1-wind": "",
    "blocks-0-temperature-0-altitude": "4586",
    "blocks-1-starts_at": "2026-09-14T06:00",
    "blocks-1-ends_at": "2026-09-14T12:00",
    "blocks-3-starts_at": "2026-09-14T12:00",
    "blocks-3-ends_at": "2026-09-14T18:00",
    "blocks-3-freezing_level-best": "2650",
    "send": "store",
}


def faults(fields: dict[str, str], zone: ZoneInfo = ZONE) -> list[str]:
    form = ForecastForm(fields, zone)
    with pytest.raises(Invalid) as caught, form.naming():
        to_forecast(form.read("Maren"), PLACE)
    for field in caught.value.fields:
        assert field.field in caught.value.detail
    return [field.field for field in caught.value.fields]


def test_form_says_the_same_as_json() -> None:
    read = ForecastForm(FIELDS, ZONE).read("Maren")
    same = parse(
        {
            "issued_at": at(13, "18:00"),
            "source_text": "evening bulletin",
            "who": "Maren",
            "units": {"wind": "kt"},
            "blocks": [
                {
                    "starts_at": at(14, "00:00"),
                    "ends_at": at(14, "06:00"),
                    "freezing_level": {"best": 2950},
                    "wind": [{"altitude": 4586, "wind": 30}],
                },
                {"starts_at": at(14, "12:00"), "ends_at": at(14, "18:00"), "freezing_level": {"best": 2650}},
            ],
        }
    )
    assert to_forecast(read, PLACE).fingerprint == to_forecast(same, PLACE).fingerprint


@pytest.mark.parametrize(
    ("changed", "named"),
    [
        ({"blocks-3-freezing_level-best": "26500"}, "blocks-3-freezing_level-best"),
        ({"blocks-3-freezing_level-best": "", "blocks-3-thunder": "maybe"}, "blocks-3-thunder"),
        ({"blocks-3-starts_at": "2026-09-14T05:00"}, "blocks-3-starts_at"),
        ({"blocks-0-wind-1-wind": "x", "blocks-0-wind-0-wind": ""}, "blocks-0-wind-1-wind"),
        ({"blocks-3-ends_at": ""}, "blocks-3-ends_at"),
        ({"blocks-3-ends_at": "noon"}, "blocks-3-ends_at"),
        ({"issued_at": ""}, "issued_at"),
        ({"source_text": " "}, "source_text"),
        ({"units-wind": "knots"}, "units-wind"),
    ],
)
def test_faults_carry_the_names_of_the_form(changed: dict[str, str], named: str) -> None:
    assert faults({**FIELDS, **changed}) == [named]


def test_form_with_nothing_filled_in() -> None:
    assert faults({"blocks-0-starts_at": "2026-09-14T00:00", "issued_at": "2026-09-13T18:00"}) == [
        "source_text",
        "blocks",
    ]


ZURICH = ZoneInfo("Europe/Zurich")


@pytest.mark.parametrize(
    ("local", "says"), [("2026-10-25T02:30", "twice"), ("2026-03-29T02:30", "not exist")]
)
def test_hours_that_the_clock_change_makes_unclear(local: str, says: str) -> None:
    fields = {**FIELDS, "blocks-0-starts_at": local}
    form = ForecastForm(fields, ZURICH)
    with pytest.raises(Invalid) as caught, form.naming():
        form.read("Maren")
    (fault,) = caught.value.fields
    assert fault.field == "blocks-0-starts_at"
    assert says in fault.message


def test_offset_settles_the_hour_that_comes_twice() -> None:
    fields = {
        **FIELDS,
        "blocks-0-starts_at": "2026-10-25T02:30:00+01:00",
        "blocks-0-ends_at": "2026-10-25T06:00",
        "blocks-3-starts_at": "2026-10-25T12:00",
        "blocks-3-ends_at": "2026-10-25T18:00",
    }
    read = ForecastForm(fields, ZURICH).read("Maren")
    assert read.blocks[0].starts_at == datetime(2026, 10, 25, 1, 30, tzinfo=UTC)
    assert read.blocks[0].ends_at == datetime(2026, 10, 25, 5, 0, tzinfo=UTC)


NAMES = st.lists(st.sampled_from(["blocks", "0", "7", "wind", "best", "issued_at", ""]), max_size=7).map(
    "-".join
)


@given(st.dictionaries(NAMES | st.sampled_from(sorted(FIELDS)), st.text(max_size=8), max_size=12))
def test_whatever_fields_are_sent_are_read_or_refused(fields: dict[str, str]) -> None:
    assert read_or_faults({**FIELDS, **fields})


def read_or_faults(fields: dict[str, str]) -> Forecast | list[str]:
    form = ForecastForm(fields, ZONE)
    try:
        with form.naming():
            return to_forecast(form.read("Maren"), PLACE)
    except Invalid as problem:
        return [field.field for field in problem.fields]
