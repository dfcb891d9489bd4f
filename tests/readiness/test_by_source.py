"""Sources of the forecast beside each other: which flags stand otherwise by which, never pooled."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from api.conditions import variables as cf
from api.conditions.forecast import Forecast
from api.readiness.by_source import FlagsBySource, SourceSays, SourceStanding, flags_by_source
from tests.conditions import kessandry
from tests.readiness.building import requirement
from tests.readiness.test_tipping import MITTS, MITTS_BY_GRADE, ann_lacks, evaluated, four_days


def by(provider: str, forecast: Forecast) -> Forecast:
    return replace(forecast, provenance=replace(forecast.provenance, provider=provider))


def near_the_ground(forecast: Forecast) -> Forecast:
    """A source that knows no freezing level and no air up there."""
    left = {
        name: series for name, series in forecast.series.items() if name not in (cf.FREEZING_LEVEL, cf.WIND)
    }
    return replace(forecast, series=left)


def compared(forecasts: Mapping[str, Forecast], *requirements: dict[str, Any]) -> FlagsBySource:
    asked, known = ann_lacks(*requirements)
    in_force = next(iter(forecasts.values()))
    now = evaluated(kessandry.PLAN, asked, known, in_force)
    return flags_by_source(now, {name: (by(name, one),) for name, one in forecasts.items()})


def test_a_flag_that_one_source_raises_and_another_does_not() -> None:
    """0 °C at 3,500 m and at 3,900 m, and mitts asked below 3,600 m."""
    found = compared({"typed in": four_days(3500), "metno": four_days(3900)}, MITTS)
    (flag,) = found.differ
    assert (flag.id, flag.item) == ("ann.mitts", "Mitts")
    assert flag.by["typed in"].standing is SourceStanding.OPEN
    assert flag.by["metno"] == SourceSays(standing=SourceStanding.NOT_OPEN)
    (number,) = flag.by["typed in"].why_now
    assert (number.metric, number.value, number.threshold) == ("freezing_level_m", 3500.0, 3600.0)


def test_a_flag_that_two_sources_grade_differently() -> None:
    found = compared({"a": four_days(3200), "b": four_days(3500)}, MITTS_BY_GRADE)
    (flag,) = found.differ
    assert [one.grade for one in flag.by.values()] == ["stop", "fix"]


def test_sources_that_agree_differ_about_nothing() -> None:
    assert compared({"a": four_days(3500), "b": four_days(3450)}, MITTS).differ == ()


def test_a_source_that_does_not_say_enough_is_counted_and_contradicts_nobody() -> None:
    found = compared({"a": four_days(3500), "b": near_the_ground(four_days(3900))}, MITTS)
    assert found.differ == ()
    assert found.undecided == {"a": 0, "b": 1}


def test_among_sources_that_differ_the_one_that_does_not_say_enough_is_named() -> None:
    poor = near_the_ground(four_days(3900))
    found = compared({"a": four_days(3500), "b": four_days(3900), "c": poor}, MITTS)
    assert [one.standing for one in found.differ[0].by.values()] == ["open", "not-open", "not-known"]


def test_one_source_alone_is_compared_with_nothing() -> None:
    found = compared({"a": four_days(3500)}, MITTS)
    assert (found.sources, found.differ, found.undecided) == (("a",), (), {})


def test_what_no_weather_sways_is_no_disagreement() -> None:
    assert compared({"a": four_days(3500), "b": four_days(3900)}, requirement("rope")).differ == ()


def test_nothing_is_pooled_each_source_gives_what_it_gives_alone() -> None:
    """The same answer for a source whatever stands beside it."""
    alone = compared({"a": four_days(3500), "b": four_days(3900)}, MITTS).differ[0].by["a"]
    beside = compared({"a": four_days(3500), "c": four_days(4100), "b": four_days(3900)}, MITTS)
    assert beside.differ[0].by["a"] == alone
    assert np.isclose(alone.why_now[0].value or 0.0, 3500.0)
