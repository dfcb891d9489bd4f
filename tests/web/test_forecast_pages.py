"""Forecasts on pages: the form a guide types one into, what was received, what it changed."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from fastapi import FastAPI
from hypothesis import given
from hypothesis import strategies as st

from api.clock import FixedClock
from api.conditions.sources.manual import to_forecast
from api.conditions.sources.manual_form import ForecastForm
from api.journal.kinds import ForecastReceived
from api.journal.trip import Night, Via
from api.units import to_inside
from seeds import loading
from tests.conditions.building import START, stage, trip
from tests.conditions.kessandry import PLACE, ZONE, at, issue
from tests.support.client import IsolatedTestClient
from tests.support.pages import html_errors
from tests.support.readers import read_as
from tests.web.sent_forms import form_of
from web import words
from web.pages import forecast_form as forms
from web.pages.forecast_blocks import KINDS, local, stretches, typed_blocks
from web.pages.forecast_form import CHOICES, METRIC, Sheet

URL = "/trips/kessandry-2026-09/forecasts"
HASH = re.compile(r"/forecasts/([0-9a-f]{64})")


@pytest.fixture
def clock() -> FixedClock:
    return FixedClock(at(12, "18:30"))


@pytest.fixture
def client(app: FastAPI) -> Iterator[IsolatedTestClient]:
    """The demo's trip before it begins, with two forecasts received."""
    with IsolatedTestClient(app, headers={"accept": "text/html"}, follow_redirects=False) as client:
        assert loading.seed(app.state.db)
        yield client


def opened(client: IsolatedTestClient) -> dict[str, list[str]]:
    answer = client.get(f"{URL}/new")
    assert answer.status_code == 200
    return form_of(answer.text)


def received(client: IsolatedTestClient) -> list[ForecastReceived]:
    state = client.app.state  # type: ignore[attr-defined]
    with state.db.reading() as conn:
        picture = state.journal.picture(conn, "quillstone", "kessandry-2026-09").picture
    return [record.body for record in picture.forecasts]


TONIGHT = {
    "issued_at": "2026-09-12T18:00",
    "source_text": "Evening bulletin <by satellite>",
    "blocks-0-freezing_level-low": "2800",
    "blocks-0-freezing_level-best": "2950",
    "blocks-0-freezing_level-high": "3100",
    "blocks-0-wind-1-wind": "60",
}


# -- blocks of a trip ------------------------------------------------------------------------------------


def test_blocks_follow_the_stages_and_nights_without_overlap() -> None:
    camp = Night(place="Camp", elevation_m=3000)
    up = stage("up", START + timedelta(hours=6), 6, 1500, 3000, camp)
    top = Via(name="Top", elevation_m=4400, at=START + timedelta(hours=30))
    over = stage("over", START + timedelta(hours=26), 9, 3000, 1500).model_copy(update={"via": (top,)})
    found = stretches(trip(up, over), START)
    assert [(s.name, s.high_m) for s in found] == [
        ("up", 3000),
        ("Evening at Camp", 3000),
        ("Night at Camp", 3000),
        ("here up to Top", 4400),
        ("Top down to there", 4400),
    ]
    assert [s.starts_at for s in found[1:]] == [s.ends_at for s in found[:-1]]
    assert [s.name for s in stretches(trip(up, over), START + timedelta(hours=22))] == [
        "Night at Camp",
        "here up to Top",
        "Top down to there",
    ]


def test_an_hour_that_comes_twice_is_written_with_its_offset() -> None:
    zurich = ZoneInfo("Europe/Zurich")
    assert local(datetime(2026, 10, 25, 1, 30, tzinfo=UTC), zurich) == "2026-10-25T02:30+01:00"
    assert local(datetime(2026, 10, 25, 3, 30, tzinfo=UTC), zurich) == "2026-10-25T04:30"


@pytest.mark.parametrize("units", [METRIC, forms.US], ids=["metric", "us"])
def test_blocks_of_a_stored_forecast_say_the_same_again(units: Mapping[str, str]) -> None:
    stored = issue("F3", low=2800.0, high=3100.0)
    blocks = typed_blocks(stored, units, ZONE, at(1, "00:00"))
    sheet = Sheet(units, {"issued_at": "2026-09-13T18:00", "source_text": "x"}, dict(enumerate(blocks)))
    again = to_forecast(ForecastForm(forms.fields_of(sheet), ZONE).read("x"), PLACE)
    assert set(again.series) == set(stored.series)
    assert again.members == stored.members
    assert again.span() == stored.span()
    for name, series in stored.series.items():
        assert again.series[name].values == pytest.approx(series.values, rel=1e-3, abs=0.06, nan_ok=True)


def test_blocks_that_are_over_are_left_out() -> None:
    assert len(typed_blocks(issue("F3"), METRIC, ZONE, at(14, "05:00"))) == 3


# -- units -----------------------------------------------------------------------------------------------


@given(st.sampled_from(sorted(CHOICES)), st.data())
def test_changing_a_unit_keeps_what_was_meant(kind: str, data: st.DataObject) -> None:
    old, new = (data.draw(st.sampled_from(CHOICES[kind])) for _ in range(2))
    figure = data.draw(st.integers(-40 if kind == "temperature" else 0, 5000 if kind == "altitude" else 100))
    name = {"altitude": "freezing_level-best", "temperature": "temperature-0-best", "wind": "wind-0-gust"}
    field = name.get(kind, kind)
    sheet = Sheet(dict(METRIC) | {kind: old}, {}, {0: {field: str(figure), "thunder": "none", "uv_max": "8"}})
    changed = forms.in_unit(sheet, kind, new)
    assert changed.units[kind] == new
    told, meant = float(changed.blocks[0][field]), float(figure)
    step = {"altitude": 1.0, "temperature": 0.1, "wind": 0.1, "precipitation": 0.01, "new_snow": 0.1}[kind]
    off = to_inside(told, new, KINDS[kind]) - to_inside(meant, old, KINDS[kind])
    assert abs(off) <= abs(to_inside(step, new, KINDS[kind]) - to_inside(0.0, new, KINDS[kind])) * 0.51
    assert (changed.blocks[0]["thunder"], changed.blocks[0]["uv_max"]) == ("none", "8")


@pytest.mark.parametrize("text", ["3500 m", "about 3000", "", "9" * 400, "--3"])
def test_what_is_no_plain_figure_stays_as_it_was_typed(text: str) -> None:
    sheet = Sheet(METRIC, {}, {0: {"freezing_level-best": text}})
    assert forms.in_unit(sheet, "altitude", "ft").blocks[0]["freezing_level-best"] == text


@pytest.mark.parametrize("cookie", [None, "", "9" * 5, "abcde", "0000", "٠٠٠٠٠"])
def test_a_cookie_that_says_nothing_gives_the_readers_units(cookie: str | None) -> None:
    assert forms.recalled(cookie, words.Units.US) == forms.US


def test_units_survive_the_cookie() -> None:
    units = dict(METRIC) | {"wind": "kt", "altitude": "ft"}
    assert forms.recalled(forms.remembered(units), words.Units.METRIC) == units


@given(
    st.lists(st.tuples(st.text("blocks-0123windamety_unis", max_size=20), st.text(max_size=5)), max_size=8)
)
def test_whatever_is_sent_makes_a_form(fields: list[tuple[str, str]]) -> None:
    sheet = forms.typed([*fields, ("blocks-0-wind-1-gust", "3"), ("blocks-0-wind-x-gust", "3")])
    assert sheet.rows(0, "wind", 2) == range(len(sheet.rows(0, "wind", 2)))
    assert all(isinstance(sheet.span(block), str) for block in sheet.blocks)


# -- copying ---------------------------------------------------------------------------------------------


def test_the_block_before_fills_what_is_empty_and_says_so() -> None:
    before = {
        "starts_at": "2026-09-12T18:00",
        "freezing_level-best": "3000",
        "wind-0-altitude": "4000",
        "wind-0-wind": "30",
        "new_snow": "5",
        "thunder": "none",
    }
    here = {"starts_at": "2026-09-13T00:00", "thunder": "expected", "wind-0-altitude": "3240"}
    sheet = forms.from_before(Sheet(METRIC, {}, {0: before, 1: here}, {0: "Evening"}), 1)
    assert sheet.blocks[1] == {
        "starts_at": "2026-09-13T00:00",
        "thunder": "expected",
        "freezing_level-best": "3000",
        "wind-0-altitude": "4000",
        "wind-0-wind": "30",
    }
    assert "Evening" in sheet.taken[1]
    assert "left out" in sheet.taken[1]


def test_wind_that_was_typed_keeps_its_altitude() -> None:
    before = {"wind-0-altitude": "4000", "wind-0-wind": "30"}
    here = {"wind-0-altitude": "3240", "wind-0-gust": "50"}
    assert forms.from_before(Sheet(METRIC, {}, {0: before, 1: here}), 1).blocks[1] == here


# -- the pages -------------------------------------------------------------------------------------------


def test_pages_are_valid_and_say_which_forecast_is_in_force(client: IsolatedTestClient) -> None:
    listed = client.get(URL).text
    newest = HASH.findall(listed)[0]
    pages = {"list": listed, "new": client.get(f"{URL}/new").text, "one": client.get(f"{URL}/{newest}").text}
    assert html_errors(pages) == []
    assert listed.count("in force: the board rests on it") == 1
    assert "Valley bulletin, evening of the 11th" in pages["one"]
    assert "final call rests with" in pages["one"]
    assert "What it changed" in pages["one"]
    assert client.get(f"{URL}/{'0' * 64}").status_code == 404


def test_the_form_has_a_block_for_each_part_that_is_left(client: IsolatedTestClient) -> None:
    fields = opened(client)
    assert fields["name-0"] == ["Evening at Moraine Camp"]
    assert fields["blocks-0-starts_at"] == ["2026-09-12T15:30"]
    assert fields["blocks-0-wind-1-altitude"] == ["4586"]
    assert "Night at Shelf Camp" in [fields[name][0] for name in fields if name.startswith("name-")]


def test_a_forecast_is_stored_and_what_it_changed_is_said(client: IsolatedTestClient) -> None:
    fields = opened(client)
    for name in [name for name in fields if re.fullmatch(r"name-[1-9]\d*", name)]:
        fields[f"blocks-{name[5:]}-freezing_level-best"] = ["2700"]
    answer = client.post(f"{URL}/new", data=fields | TONIGHT)
    assert answer.status_code == 303
    assert len(received(client)) == 3
    page = client.get(answer.headers["location"]).text
    assert "In force: the board rests on it." in page
    assert "Evening bulletin &lt;by satellite&gt;" in page
    assert "Open since then" in page
    assert "Backup mitts" in page
    assert "2,950 m (2,800\N{NO-BREAK SPACE}m to 3,100" in page.replace("2,950\N{NO-BREAK SPACE}m", "2,950 m")
    assert 'href="/trips/kessandry-2026-09"' in page


def test_faults_stand_beside_their_field_and_nothing_is_lost(client: IsolatedTestClient) -> None:
    fields = opened(client) | TONIGHT
    fields |= {"source_text": "", "blocks-0-wind-1-wind": "60 furlongs", "blocks-2-uv_max": "eight"}
    answer = client.post(f"{URL}/new", data=fields)
    assert answer.status_code == 422
    assert 'id="source_text-wrong"' in answer.text
    again = form_of(answer.text)
    assert again["blocks-2-uv_max"] == ["eight"]
    assert again["blocks-0-freezing_level-low"] == ["2800"]
    assert html_errors({"faults": answer.text}) == []
    later = client.post(f"{URL}/new", data=again | {"source_text": "Radio", "blocks-2-uv_max": "8"})
    assert later.status_code == 422
    assert 'id="blocks-0-wind-1-wind-wrong"' in later.text
    assert "Block 1, wind 2, wind" in later.text
    assert len(received(client)) == 2


def test_units_convert_and_are_remembered(client: IsolatedTestClient) -> None:
    fields = opened(client) | TONIGHT
    changed = client.post(f"{URL}/new", data=fields | {"do": "unit altitude ft"})
    assert changed.status_code == 200
    again = form_of(changed.text)
    assert again["blocks-0-freezing_level-best"] == ["9678"]
    assert again["source_text"] == [TONIGHT["source_text"]]
    assert client.post(f"{URL}/new", data=again | {"do": "store"}).status_code == 303
    assert opened(client)["units-altitude"] == ["ft"]


def test_the_issue_before_is_a_start_that_is_marked(client: IsolatedTestClient) -> None:
    fields = opened(client) | {"source_text": "Radio"}
    answer = client.post(f"{URL}/new", data=fields | {"do": "issue"})
    again = form_of(answer.text)
    assert again["source_text"] == ["Radio"]
    assert again["issued_at"] == [""]
    assert again["blocks-1-freezing_level-best"] == ["4250"]
    assert again["blocks-1-freezing_level-low"] == ["4100"]
    assert "Taken from the issue of" in answer.text
    assert len(received(client)) == 2


def test_blocks_are_added_filled_from_the_one_before_and_removed(client: IsolatedTestClient) -> None:
    fields = opened(client) | TONIGHT
    taken = client.post(f"{URL}/new", data=fields | {"do": "before 1"})
    assert form_of(taken.text)["blocks-1-freezing_level-best"] == ["2950"]
    assert "Taken from the block before, Evening at Moraine Camp." in taken.text
    count = len([name for name in fields if name.startswith("name-")])
    grown = form_of(client.post(f"{URL}/new", data=fields | {"do": "add"}).text)
    assert grown[f"blocks-{count}-starts_at"] == fields[f"blocks-{count - 1}-ends_at"]
    less = form_of(client.post(f"{URL}/new", data=grown | {"do": "drop 0"}).text)
    assert "blocks-0-starts_at" not in less
    for odd in ("drop 99", "before 0", "unit altitude parsecs", "unit x y", "nothing", "before x"):
        same = form_of(client.post(f"{URL}/new", data=fields | {"do": odd}).text)
        assert same["blocks-0-freezing_level-best"] == ["2950"]


def test_everyone_of_the_outfit_may_enter_and_strangers_see_nothing(
    app: FastAPI, client: IsolatedTestClient
) -> None:
    read_as(app, "assistant")
    assert client.post(f"{URL}/new", data=opened(client) | TONIGHT).status_code == 303
    assert client.get("/trips/another/forecasts").status_code == 404
