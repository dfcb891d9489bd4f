"""The picture of the mountain: geometry that keeps to the plan, and words that say the same."""

from dataclasses import replace
from datetime import timedelta
from itertools import pairwise

import numpy as np
import pytest
from astral import Observer
from astral.sun import dawn, dusk

from api.conditions.stages import StageConditions
from tests.web import sample
from web.charts.levels import FREEZING, levels_of
from web.charts.mountain import MountainPicture, picture
from web.charts.sheet import Drawing, Threshold
from web.charts.way import elevation_at, way_of
from web.pages.board_show import freezing_lines
from web.words import Units

PLAN = sample.evaluation().plan
MITTS = Threshold("mitts", 3600.0)


def conditions(issue: str = "F3") -> StageConditions:
    return sample.evaluation(issue).conditions


def drawn(given: StageConditions | None = None, **options: object) -> MountainPicture:
    made = picture(PLAN, given or conditions(), now=sample.START, lines=(MITTS,), **options)  # type: ignore[arg-type]
    assert made is not None
    return made


def corners(path: str) -> list[tuple[float, float]]:
    pairs = (pair.split(",") for pair in path.removeprefix("M").removesuffix("Z").split("L"))
    return [(float(x), float(y)) for x, y in pairs]


@pytest.fixture(params=["narrow", "wide"])
def sheet(request: pytest.FixtureRequest) -> Drawing:
    return next(sheet for sheet in drawn().sheets if sheet.size.name == request.param)


def test_the_way_has_every_planned_point_in_order() -> None:
    way = way_of(PLAN)
    assert len(way) == sum(2 + len(stage.via) for stage in PLAN.stages)
    assert [point.at for point in way] == sorted(point.at for point in way)
    assert max(point.elevation_m for point in way) == PLAN.place.high_point_m


def test_between_two_points_the_party_moves_evenly() -> None:
    stage = PLAN.stages[0]
    middle = stage.starts_at + (stage.ends_at - stage.starts_at) / 2
    assert elevation_at(way_of(PLAN), middle) == pytest.approx((stage.from_m + stage.to_m) / 2)
    assert elevation_at(way_of(PLAN), stage.starts_at - timedelta(days=3)) == stage.from_m


def test_higher_is_further_up_and_later_is_further_right(sheet: Drawing) -> None:
    points = corners(sheet.way)
    xs = [x for x, _ in points]
    assert xs == sorted(xs)
    top = min(points, key=lambda corner: corner[1])
    assert points.index(top) == max(range(len(points)), key=lambda i: way_of(PLAN)[i].elevation_m)


def test_everything_is_on_the_sheet(sheet: Drawing) -> None:
    for path in (sheet.way, sheet.ground, *sheet.cold, *sheet.freezing, *sheet.spread):
        for x, y in corners(path):
            assert sheet.size.gutter <= x <= sheet.size.width
            assert 0 <= y <= sheet.size.height


def test_places_are_named_once_and_do_not_overlap(sheet: Drawing) -> None:
    names = [place.text for place in sheet.places]
    assert len(names) == len(set(names))
    assert PLAN.place.high_point_name in names
    heights = sorted(place.y for place in sheet.places)
    assert all(lower - upper >= 36 for upper, lower in pairwise(heights))


def test_dark_begins_and_ends_with_civil_twilight(sheet: Drawing) -> None:
    """Against astral 3, which takes the Sun 6° under the horizon from the NOAA equations."""
    place = PLAN.place
    at = Observer(place.latitude_deg, place.longitude_deg)
    days = [PLAN.starts_on + timedelta(days=n) for n in range((PLAN.ends_on - PLAN.starts_on).days)]
    way = way_of(PLAN)
    (x0, x1), (t0, t1) = (corners(sheet.way)[i][0] for i in (0, -1)), (way[0].at, way[-1].at)
    assert len(sheet.dark) == len(days)
    for day, band in zip(days, sheet.dark, strict=True):
        begins = t0 + (t1 - t0) * ((band.x - x0) / (x1 - x0))
        ends = t0 + (t1 - t0) * ((band.x + band.width - x0) / (x1 - x0))
        assert abs(begins - dusk(at, day, tzinfo=place.zone)) < timedelta(minutes=15)
        assert abs(ends - dawn(at, day + timedelta(days=1), tzinfo=place.zone)) < timedelta(minutes=15)


def test_hours_that_are_not_known_leave_a_gap() -> None:
    whole = conditions()
    values = whole.hourly[FREEZING].copy()
    middle = values.shape[1] // 2
    values[:, middle - 3 : middle + 3] = np.nan
    broken = replace(whole, hourly={**whole.hourly, FREEZING: values})
    known, with_gap = drawn(whole).sheets[0], drawn(broken).sheets[0]
    assert len(with_gap.freezing) == len(known.freezing) + 1
    assert len(with_gap.cold) == len(with_gap.freezing)


def test_without_a_forecast_the_way_is_drawn_and_the_level_is_not_known() -> None:
    made = picture(PLAN, None, now=sample.START)
    assert made is not None
    assert made.sheets[0].freezing == ()
    assert made.sheets[0].way
    assert all("Freezing level not known." in text for text in made.says)


def test_a_plan_without_stages_has_no_picture() -> None:
    empty = PLAN.model_copy(update={"stages": ()})
    assert picture(empty, None, now=sample.START) is None


def test_the_words_say_what_is_drawn() -> None:
    text = " ".join(drawn().says).replace("\N{NO-BREAK SPACE}", " ")
    levels = [level for level in levels_of(conditions()).base if np.isfinite(level)]
    assert f"{PLAN.place.high_point_m:,.0f} m" in text
    assert f"{min(levels):,.0f} m" in text
    for stage in PLAN.stages:
        assert stage.name in text
        assert stage.to_name in text
    assert "in the dark" in text
    assert "Mitts, 3,600 m: crossed from" in text


def test_a_line_that_is_not_crossed_is_said_not_to_be() -> None:
    low = Threshold("low", 100.0)
    made = picture(PLAN, conditions(), now=sample.START, lines=(low,))
    assert made is not None
    assert "not crossed in the hours forecast" in made.says[-1]


def test_the_moment_is_marked_only_when_it_is_on_the_sheet() -> None:
    later = picture(PLAN, None, now=sample.START + timedelta(days=30))
    assert later is not None
    assert all(sheet.now is None for sheet in later.sheets)
    assert all(sheet.now is not None for sheet in drawn().sheets)


def test_feet_for_those_who_want_feet() -> None:
    # 4,586 m / 0.3048 = 15,045.9 ft; told to the nearest ten.
    assert "15,050\N{NO-BREAK SPACE}ft" in drawn(units=Units.US).title


def test_the_lines_of_the_edition_are_drawn_at_the_figures_of_the_trip() -> None:
    found = {line.elevation_m for line in freezing_lines(sample.evaluation())}
    edition = sample.evaluation().edition
    assert edition is not None
    assert len(found) == sum(line.metric == FREEZING for line in edition.lines)
    assert set(PLAN.lines.values()) & found
    assert freezing_lines(sample.evaluation(listed=False)) == ()
