"""The mountain page: what it draws, what it says, and that it says where a number could mislead."""

from __future__ import annotations

import html
import re
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest
from fastapi.testclient import TestClient

from api.conditions.evaluate import evaluate as stage_conditions
from api.conditions.shifts import Shift
from api.conditions.stages import StageConditions
from api.journal.trip import TripPlan
from api.kitlist.schemas import Grade
from api.readiness.outlook import Frequency, Spread
from api.readiness.schemas import CAUTION
from api.readiness.tipping import Axis, Tipped, TippingPoint
from api.science.atmosphere import west_pressure_pa
from api.science.cold import wind_chill_c
from tests.conditions import kessandry
from tests.readiness import big
from tests.support.pages import html_errors
from tests.web import mountain_preview, sample
from web import words
from web.charts.face import chill_by_hour, faces
from web.pages import mountain_words as told
from web.pages.mountain_form import blank, boxes, shift_of
from web.pages.mountain_view import StageNumbers, notes

MOUNTAIN = f"/trips/{sample.TRIP}/mountain"
LARGE = f"/trips/{mountain_preview.LARGE}/mountain"
NBSP = "\N{NO-BREAK SPACE}"
PLAN = sample.evaluation().plan
SAY = words.Say(zone=PLAN.place.zone, now=sample.START)
US = words.Say(units=words.Units.US, zone=PLAN.place.zone, now=sample.START)


@pytest.fixture(scope="module")
def pages() -> Iterator[TestClient]:
    with TestClient(mountain_preview.build()) as client:
        yield client


def text_of(page: str) -> str:
    """What is read on a page, without its marks."""
    return re.sub(r"\s+", " ", html.unescape(re.sub(r"<[^>]+>", " ", page))).replace(NBSP, " ")


class TestPage:
    @pytest.mark.parametrize("path", [f"{MOUNTAIN}?issue=F1", f"{MOUNTAIN}?issue=F3", LARGE])
    def test_carries_picture_words_table_form_and_caution(self, pages: TestClient, path: str) -> None:
        answer = pages.get(path)
        assert answer.status_code == 200
        said = text_of(answer.text)
        for part in (
            "The same in words",
            "What would change the board",
            "What if",
            "Stages",
            "Sources",
            CAUTION,
        ):
            assert part in said
        assert answer.text.count('<svg class="sheet face') == 2

    def test_is_what_the_standard_asks(self, pages: TestClient) -> None:
        query = "freezing_level=-300&wind=1.5&start=1&stage=summit"
        found = {
            "f3": pages.get(f"{MOUNTAIN}?issue=F3").text,
            "large": pages.get(LARGE).text,
            "supposed": pages.get(f"{MOUNTAIN}/what-if?issue=F3&{query}").text,
            "wrong": pages.get(f"{MOUNTAIN}/what-if?freezing_level=x").text,
        }
        assert html_errors(found) == []

    def test_every_stage_can_be_tapped_to_its_numbers(self, pages: TestClient) -> None:
        text = pages.get(f"{MOUNTAIN}?issue=F3").text
        for stage in PLAN.stages:
            assert text.count(f'href="#stage-{stage.id}"') == 3  # on both sheets and in the table
            assert text.count(f'id="stage-{stage.id}"') == 1

    def test_is_kept_live_like_the_board(self, pages: TestClient) -> None:
        text = pages.get(f"{MOUNTAIN}?issue=F3").text
        assert f'data-live="/api/trips/{sample.TRIP}/events"' in text
        assert 'data-hx-get="' + MOUNTAIN + '/_part"' in text
        part = pages.get(f"{MOUNTAIN}/_part?issue=F3").text
        assert part.lstrip().startswith("<article")
        assert "data-revision=" in part

    def test_is_not_sent_twice_to_one_who_has_it(self, pages: TestClient) -> None:
        mark = pages.get(MOUNTAIN).headers["etag"]
        assert pages.get(MOUNTAIN, headers={"If-None-Match": mark}).status_code == 304

    def test_two_more_figures_of_the_guide_are_named_and_never_a_percentage(self, pages: TestClient) -> None:
        said = text_of(pages.get(f"{MOUNTAIN}?issue=F1").text)
        assert "from the low to the high figure" in said
        outlook = said[: said.index("None of it means safe")]  # below it grades of the way are in %
        assert "%" not in outlook

    def test_an_ensemble_is_counted_and_said_to_be_uncalibrated(self, pages: TestClient) -> None:
        said = text_of(pages.get(LARGE).text)
        assert re.search(r"In \d+ of 51 members: ", said, re.IGNORECASE)
        assert "uncalibrated frequency of this ensemble, not a probability" in said

    def test_says_what_the_new_issue_changed(self, pages: TestClient) -> None:
        said = text_of(pages.get(f"{MOUNTAIN}?issue=F3").text)
        assert "now 2,650 m, was 3,200 m" in said
        assert "Since the issue before" not in text_of(pages.get(f"{MOUNTAIN}?issue=F1").text)


class TestWhatIf:
    def test_is_marked_and_shows_the_board_that_would_result(self, pages: TestClient) -> None:
        given = "freezing_level=-400&temperature=0&wind=1&start=0"
        said = text_of(pages.get(f"{MOUNTAIN}/what-if?issue=F3&{given}").text)
        assert "What if: freezing level 400 m lower" in said
        assert "It is not the forecast and not the board; nothing is saved." in said
        assert "Mountaineering boots: Tomasz Wierzba." in said
        assert CAUTION in said

    def test_a_later_start_moves_the_rope(self, pages: TestClient) -> None:
        there = pages.get(f"{MOUNTAIN}/what-if?issue=F3&start=1&stage=summit").text
        here = pages.get(f"{MOUNTAIN}?issue=F3").text
        way = re.compile(r'<path class="way" d="([^"]+)"')
        assert way.findall(there) != way.findall(here)
        assert "starts 1 h later" in text_of(there)

    @pytest.mark.parametrize(
        ("query", "field"),
        [
            ("freezing_level=-9000", "freezing_level"),
            ("temperature=warm", "temperature"),
            ("wind=0", "wind"),
            ("start=1&stage=nowhere", "stage"),
            ("freezing_level=nan", "freezing_level"),
            ("wind=inf", "wind"),
        ],
    )
    def test_what_cannot_be_used_comes_back_as_typed(self, pages: TestClient, query: str, field: str) -> None:
        answer = pages.get(f"{MOUNTAIN}/what-if?{query}")
        assert answer.status_code == 422
        assert f'href="#{field}"' in answer.text
        name, typed = query.split("&")[-1].split("=") if field == "stage" else query.split("=")
        assert field == name
        assert typed in answer.text or field == "stage"

    def test_the_form_reads_the_readers_units(self) -> None:
        metric = shift_of({"freezing_level": "-300", "wind": "1.5"}, PLAN, words.Units.METRIC)
        assert metric == Shift(freezing_level_m=-300.0, wind_factor=1.5)
        us = shift_of({"freezing_level": "-1000", "temperature": "-9"}, PLAN, words.Units.US)
        assert us.freezing_level_m == pytest.approx(-304.8)  # 1 ft is 0.3048 m by definition
        assert us.temperature_c == pytest.approx(-5.0)  # 9 °F apart is 5 °C apart
        assert shift_of({"temperature": "−2,5"}, PLAN, words.Units.METRIC).temperature_c == -2.5
        for units in words.Units:
            assert shift_of(blank(units), PLAN, units) == Shift()
            assert all(box.low <= box.neutral <= box.high for box in boxes(units))


class TestSentences:
    def point(self, axis: Axis, shift: float, within: float = 0.0, *, there: bool = False) -> str:
        who = tuple(
            Tipped(f"p{n}.m", f"p{n}", name, "m", "Backup mitts: dry", there, Grade.FIX, "the rope")
            for n, name in enumerate("AB")
        )
        return told.tipping(TippingPoint(axis, shift, within, appear=who, stage="summit"), PLAN, SAY).replace(
            NBSP, " "
        )

    def test_a_tipping_point_is_a_sentence_one_can_act_on(self) -> None:
        text = self.point(Axis.FREEZING_LEVEL, -300.0)
        assert text == "If the freezing level comes in 300 m lower, A and B also need backup mitts."
        assert "any lower" in self.point(Axis.FREEZING_LEVEL, 0.0)
        assert "no longer do" in self.point(Axis.TEMPERATURE, -2.0, there=True)
        assert "1.84 times as strong" in self.point(Axis.WIND, 1.84)
        assert "starts 1 h 35 min earlier" in self.point(Axis.START, -95.0)

    def test_a_flag_that_is_graded_otherwise_says_from_what_to_what(self) -> None:
        flag = Tipped(
            "a.m", "a", "A", "m", "Mitts", True, Grade.STOP, "the summit start", Grade.FIX, "the summit start"
        )
        point = TippingPoint(Axis.FREEZING_LEVEL, -300.0, 0.0, regraded=(flag,))
        assert told.tipping(point, PLAN, SAY).replace(NBSP, " ") == (
            "If the freezing level comes in 300 m lower, the flag on mitts for A goes from fix to stop "
            "before the summit start."
        )

    def test_an_exact_shift_is_rounded_away_from_none_so_that_it_is_enough(self) -> None:
        assert "310 m lower" in self.point(Axis.FREEZING_LEVEL, -300.4)
        assert "2.1 °C colder" in self.point(Axis.TEMPERATURE, -2.01)
        assert "about 300 m lower" in self.point(Axis.FREEZING_LEVEL, -300.4, within=5.0)

    def test_frequencies_in_words(self) -> None:
        many = Frequency(spread=Spread.ENSEMBLE, appears=7, valid=31, total=31)
        assert told.frequency(many) == "in 7 of 31 members"
        few = Frequency(spread=Spread.ENSEMBLE, appears=2, valid=8, total=31)
        assert told.frequency(few) == "no count: only 8 of 31 members decide it"
        some = many.model_copy(update={"valid": 28, "total": 31})
        assert told.frequency(some) == "in 7 of 28 members that decide it"
        low = Frequency(spread=Spread.BY_HAND, appears=1, valid=3, total=3, which=("low",))
        assert told.frequency(low) == "in the low figure"


def told_notes(plan: TripPlan, conditions: StageConditions, say: words.Say = SAY) -> dict[str, str]:
    return {title: text.replace(NBSP, " ") for title, text in notes(plan, conditions, None, say)}


class TestTraps:
    """Where a number could be taken for more than it is, the page says so."""

    def test_there_are_two_wind_chill_formulas(self) -> None:
        """30 °F and 25 mph is 16 °F on the chart of the US National Weather Service; the metric formula,
        converted, gives another whole degree in 13 of its 216 cells, such as 25 °F and 30 mph."""
        air_f, wind_mph = np.array([30.0, 25.0]), np.array([25.0, 30.0])
        given = hours(air_c=(air_f - 32.0) / 1.8, wind_mps=wind_mph * 0.44704)
        assert np.round(chill_by_hour(given, words.Units.US)).tolist() == [16.0, 8.0]
        conditions = sample.evaluation("F3").conditions
        assert "no conversion of this one" in told_notes(PLAN, conditions)["Feels like"]
        assert "held against the metric one" in told_notes(PLAN, conditions, US)["Feels like"]

    def test_wind_chill_is_rounded_as_the_chart_is(self) -> None:
        """Environment Canada's chart: −20 °C and 30 km/h is −33."""
        given = hours(air_c=np.array([-20.0]), wind_mps=np.array([30.0 / 3.6]))
        row = StageNumbers(PLAN, given, SAY).feels(0)
        assert row == f"−33{NBSP}°C"

    def test_thin_air_by_the_standard_and_by_west(self) -> None:
        """West 1996 gives 419.65 Torr at 5,000 m, 559 hPa, where the standard atmosphere has 540."""
        assert float(west_pressure_pa(5000.0)) / 100.0 == pytest.approx(419.65 * 1.33322, abs=0.1)
        high = PLAN.model_copy(update={"place": PLAN.place.model_copy(update={"high_point_m": 5000.0})})
        text = told_notes(high, sample.evaluation("F3").conditions)["Air pressure"]
        assert "540 hPa" in text
        assert "559 hPa" in text

    def test_a_refreeze_is_said_to_rest_on_the_air_alone(self) -> None:
        text = told_notes(PLAN, sample.evaluation("F3").conditions)["Refreezing"]
        assert "a night that would take a clear sky counts as none" in text

    def test_days_without_a_sunset_or_a_sunrise_are_named(self) -> None:
        """Longyearbyen at midsummer and midwinter (references: no crossing of −0.8333° on 21 June 2024)."""
        for month, words_ in ((6, "does not set"), (12, "does not rise")):
            place = PLAN.place.model_copy(
                update={"latitude_deg": 78.2232, "longitude_deg": 15.6267, "time_zone": "Europe/Oslo"}
            )
            day = datetime(2024, month, 21, 8, tzinfo=UTC)
            stage = PLAN.stages[0].model_copy(
                update={"starts_at": day, "ends_at": day.replace(hour=14), "via": (), "night": None}
            )
            polar = PLAN.model_copy(
                update={"place": place, "stages": (stage,), "starts_on": day.date(), "ends_on": day.date()}
            )
            text = told_notes(polar, stage_conditions(polar, None))["Sun"]
            assert text == f"The sun {words_} on {words.day(day.date())}.".replace(NBSP, " ")
        assert "Sun" not in told_notes(PLAN, sample.evaluation("F3").conditions)

    def test_heights_of_pressure_levels_are_geopotential(self) -> None:
        """H = r z / (r + z) with r = 6,356,766 m: 4,400 m on the map is 3 m less."""
        plan, forecast = big.plan(), big.forecast(3)
        found = dict(notes(plan, stage_conditions(plan, forecast), forecast, SAY))
        assert f"that is 3{NBSP}m less" in found["Heights"]
        assert "Heights" not in told_notes(PLAN, sample.evaluation("F3").conditions)


def hours(air_c: np.ndarray, wind_mps: np.ndarray) -> StageConditions:
    """Conditions with given air and wind, hour by hour on the first stage."""
    whole = stage_conditions(kessandry.PLAN, None)
    count = air_c.size
    return replace(
        whole,
        steps_epoch_s=whole.steps_epoch_s[:count],
        step_stage=np.zeros(count, dtype=np.int64),
        hourly={
            "air_temperature_c": air_c[np.newaxis],
            "wind_mps": wind_mps[np.newaxis],
            "wind_chill_c": wind_chill_c(air_c, wind_mps)[np.newaxis],
        },
    )


class TestPicture:
    def test_columns_cover_the_way_without_a_gap(self) -> None:
        for face in faces(PLAN, sample.evaluation("F3").conditions, now=sample.START, lines=(), say=SAY):
            for before, after in zip(face.columns, face.columns[1:], strict=False):
                assert before.x + before.width == pytest.approx(after.x, abs=0.15)
            assert [column.stage for column in face.columns] == [stage.id for stage in PLAN.stages]

    def test_needles_are_as_long_as_it_feels_cold(self) -> None:
        """−40 °C of wind chill is a whole needle, 34 units."""
        wide = faces(PLAN, sample.evaluation("F3").conditions, now=sample.START, lines=(), say=SAY)[1]
        drawn = re.findall(r"l(-?[\d.]+),(-?[\d.]+)", wide.needles)
        longest = max(np.hypot(float(x), float(y)) for x, y in drawn)
        moving = sample.evaluation("F3").conditions
        coldest = np.nanmin(moving.hourly["wind_chill_c"][moving.base, moving.step_moving])
        assert longest == pytest.approx(34.0 * -coldest / 40.0, abs=1.5)

    def test_an_ensemble_has_its_middle_and_a_guides_figures_have_not(self) -> None:
        plan = big.plan()
        given = stage_conditions(plan, big.forecast(20))
        drawn = faces(plan, given, now=plan.stages[0].starts_at, lines=(), say=SAY)
        assert all(face.inner and face.middle and face.outer for face in drawn)
        by_hand = faces(PLAN, sample.evaluation("F3").conditions, now=sample.START, lines=(), say=SAY)
        assert all(face.outer and not face.inner and not face.middle for face in by_hand)
        few = stage_conditions(plan, big.forecast(6))
        assert all(
            not face.inner for face in faces(plan, few, now=plan.stages[0].starts_at, lines=(), say=SAY)
        )

    def test_what_falls_is_summed_by_the_hour(self) -> None:
        """F3: 8 mm until 05:00 on the 14th, 2 mm from 10:00 to 18:00, 1 mm after."""
        wide = faces(PLAN, sample.evaluation("F3").conditions, now=sample.START, lines=(), say=SAY)[1]
        told_sum = sum(float(mark.text) for mark in wide.lanes[-1].marks if mark.text != "none")
        conditions = sample.evaluation("F3").conditions
        whole = np.nansum(conditions.high["precipitation_mm"][conditions.base])
        assert told_sum == pytest.approx(whole, abs=0.5)

    def test_without_a_forecast_the_way_is_drawn_and_nothing_made_up(self) -> None:
        bare = stage_conditions(PLAN, None)
        for face in faces(PLAN, bare, now=sample.START, lines=(), say=SAY):
            assert face.drawing.way
            assert face.needles == ""
            assert not face.bars
            assert not face.outer
            assert all(not lane.marks for lane in face.lanes)
        row = StageNumbers(PLAN, bare, SAY).rows()[0]
        assert row.level == row.feels == row.wind == words.NOT_KNOWN
