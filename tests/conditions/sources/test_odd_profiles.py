"""What an answer says about the height of 0 °C, and how often a flag appears, where that is not plain."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from api.conditions.evaluate import evaluate as stage_conditions
from api.conditions.forecast import Forecast
from api.conditions.itinerary import STEP_S
from api.conditions.sources.asking import Unusable
from api.journal.kinds import GearState
from api.journal.trip import TripPlan
from api.kitlist.schemas import Edition
from api.readiness.evaluation import Evaluation, evaluate
from api.readiness.outlook import FEWEST_VALID, Frequency
from api.readiness.scenarios import flag_scenarios, frequencies
from tests.conditions.building import START, stage, trip
from tests.conditions.sources.conftest import Asker
from tests.readiness.building import edition, entry, member, picture, requirement, sighting
from tests.support.weather_answers import ISA_M, Standin
from web.pages.mountain_words import frequency as in_words

LEVELS = (850, 700, 600, 500)
PLAN: TripPlan = trip(stage("top", START, 6, 3000.0, 4400.0))
MITTS: Edition = edition(requirement("mitts", when={"metric": "freezing_level_m", "below": "5000 m"}))


def profile_of(standin: Standin, celsius: tuple[float | None, ...]) -> None:
    """Let the service answer one profile for all hours, and no height of 0 °C of its own."""

    def change(answer: dict[str, Any]) -> dict[str, Any]:
        hours = len(answer["hourly"]["time"])
        for level, value in zip(LEVELS, celsius, strict=True):
            answer["hourly"][f"temperature_{level}hPa"] = [value] * hours
        answer["hourly"]["freezing_level_height"] = [None] * hours
        return answer

    standin.changes["/v1/forecast"] = change


def evaluated(forecast: Forecast) -> Evaluation:
    known = picture(PLAN, member("ann"), entry(sighting("mitts", state=GearState.ABSENT)))
    return evaluate("t", 1, known, PLAN, MITTS, stage_conditions(PLAN, forecast))


def between(low: int, high: int, share: float) -> float:
    return ISA_M[low] + share * (ISA_M[high] - ISA_M[low])


@pytest.mark.parametrize(
    ("celsius", "level_m"),
    [
        pytest.param((-1.0, -5.0, 5.0, -15.0), between(600, 500, 0.25), id="inversion: the highest of three"),
        pytest.param((4.0, -4.0, 2.0, -2.0), between(600, 500, 0.5), id="inversion over a warm valley"),
        pytest.param((10.0, 0.0, -5.0, -15.0), float(ISA_M[700]), id="exactly 0 °C on a level"),
        pytest.param((10.0, None, -10.0, -20.0), between(850, 600, 0.5), id="a level missing between"),
        pytest.param((-1.0, -5.0, -10.0, -15.0), np.nan, id="all below 0 °C"),
        pytest.param((25.0, 15.0, 8.0, 1.0), np.nan, id="all above 0 °C"),
    ],
)
def test_the_height_of_zero_from_a_services_profile(
    celsius: tuple[float | None, ...], level_m: float, asker: Asker, standin: Standin
) -> None:
    """By hand, linear in height between levels at the heights the answer gives; nothing is extrapolated."""
    profile_of(standin, celsius)
    found = stage_conditions(PLAN, asker("openjson"))
    assert found.low["freezing_level_m"][0, 0] == pytest.approx(level_m, nan_ok=True)
    assert found.high["freezing_level_m"][0, 0] == pytest.approx(level_m, nan_ok=True)
    assert bool(found.complete["freezing_level_m"][0, 0]) == np.isfinite(level_m)


@pytest.mark.parametrize("celsius", [(-1.0, -5.0, -10.0, -15.0), (25.0, 15.0, 8.0, 1.0)])
def test_a_profile_without_a_zero_leaves_the_flag_asked_and_not_known(
    celsius: tuple[float, ...], asker: Asker, standin: Standin
) -> None:
    profile_of(standin, celsius)
    (finding,) = evaluated(asker("openjson")).findings
    assert finding.id == "ann.mitts"
    assert not finding.conditions_known


def counted(forecast: Forecast) -> Frequency:
    now = evaluated(forecast)
    assert now.asks is not None
    assert now.lacks is not None
    return frequencies(now, flag_scenarios(now.asks, now.lacks, {}))["ann.mitts"]


def members(standin: Standin, count: int, silent: int = 0) -> None:
    """Let the ensemble have so many members, of which the last few say nothing."""

    def change(answer: dict[str, Any]) -> dict[str, Any]:
        hourly = answer["hourly"]
        for name in [key for key in hourly if key != "time" and "_member" not in key]:
            for n in range(1, count):
                hourly[f"{name}_member{n:02d}"] = list(hourly[name])
                answer["hourly_units"][f"{name}_member{n:02d}"] = answer["hourly_units"].get(name, "")
        for name in hourly:
            if any(name.endswith(f"_member{n:02d}") for n in range(count - silent, count)):
                hourly[name] = [None] * len(hourly["time"])
        return answer

    standin.changes["/v1/ensemble"] = change


@pytest.mark.parametrize(
    ("count", "silent", "given"),
    [(FEWEST_VALID, 0, True), (12, 2, True), (12, 3, False), (8, 0, False)],
    ids=["ten", "ten of twelve", "nine of twelve", "eight"],
)
def test_too_few_members_give_no_count_and_never_none_of_them(
    count: int, silent: int, given: bool, asker: Asker, standin: Standin
) -> None:
    """Members that say nothing count neither for nor against; under ten, or under 80 %, there is no count."""
    members(standin, count, silent)
    found = counted(asker("openjson-ensemble"))
    assert (found.valid, found.total) == (count - silent, count)
    assert found.given is given
    says = in_words(found)
    assert says.startswith("in ") if given else f"only {count - silent} of {count} members" in says


def test_an_ensemble_without_any_value_is_refused(asker: Asker, standin: Standin) -> None:
    def change(answer: dict[str, Any]) -> dict[str, Any]:
        hours = len(answer["hourly"]["time"])
        answer["hourly"] = {k: v if k == "time" else [None] * hours for k, v in answer["hourly"].items()}
        return answer

    standin.changes["/v1/ensemble"] = change
    with pytest.raises(Unusable):
        asker("openjson-ensemble")


def test_steps_that_grow_longer_are_neither_added_twice_nor_spread(asker: Asker) -> None:
    """Sums of 1 and of 6 hours beside each other: each of its own period, and no step looked at twice."""
    found = stage_conditions(PLAN, asker("metno"))
    assert found.complete["precipitation_mm"][0, 0]
    assert np.diff(found.steps_epoch_s).min() > 0
    assert np.diff(found.steps_epoch_s).max() <= STEP_S
    hourly = np.nansum(found.hourly["precipitation_mm"][0, :-1] * np.diff(found.steps_epoch_s) / 3600.0)
    assert found.high["precipitation_mm"][0, 0] == pytest.approx(hourly)
