"""A climber with exactly what is customary lacks nothing in an ordinary summer, and one thing when it
turns cold.

Facts of the trade: common practice, no published source. The trip and the forecasts are invented.
"""

from datetime import timedelta
from functools import cache
from typing import Any

import pytest
import yaml

from api.conditions.evaluate import evaluate as stage_conditions
from api.conditions.sources.manual import ManualForecast, to_forecast
from api.conditions.stages import StageConditions
from api.journal.kinds import GearState, Known, Sighting
from api.journal.trip import TripPlan
from api.kitlist.schemas import Edition, Scope
from api.readiness.asks import asks
from api.readiness.findings import findings
from api.readiness.lacks import lacks
from api.readiness.schemas import Finding, GapKind
from seeds import demo
from tests.readiness.building import entry, member, picture

SUMMER_M = 4600
DROPPED_M = 3500

# What is customary, by requirement, with what is said of each thing.
CUSTOMARY: dict[str, dict[str, Any]] = {
    "boots": {"warmth": "double", "stiffness": "b3"},
    "socks": {"count": 3},
    "gaiters": {"over-boot": True},
    "base-legs": {},
    "soft-shell-trousers": {},
    "shell-trousers": {"zips": "full", "over-crampons": True},
    "base-top-short": {},
    "base-top-long": {},
    "soft-shell-jacket": {"hood": True},
    "hard-shell-jacket": {},
    "parka": {"hood": True, "over-all": True, "warmth": "heavy"},
    "liner-gloves": {},
    "work-gloves": {},
    "mitts": {"kind": "glove"},
    "warm-hat": {},
    "sun-hat": {},
    "neck-cover": {},
    "goggles": {},
    "glacier-glasses": {"category": 4, "side-cover": True},
    "helmet": {"kind": "climbing", "takes-lamp": True},
    "headlamp": {"charge-percent": 100, "run-time-h": 30},
    "headlamp-power": {"kind": "cells", "cold": "lithium"},
    "sleeping-bag": {"comfort-c": -8, "limit-c": -14},
    "bottles": {"count": 2},
    "foot-care": {},
    "water-tablets": {},
    "first-aid-personal": {},
}
# A mat of one's own is not among them: the camps of this trip supply it.
CAMPS_SUPPLY = "sleeping-mat"


@cache
def edition() -> Edition:
    path = demo.HERE / "editions" / "glaciated-peak.yaml"
    return Edition.model_validate(yaml.safe_load(path.read_text(encoding="utf-8")))


@cache
def trip() -> TripPlan:
    return demo.plan(demo.scenario(), "glaciated-peak")


@cache
def weather(freezing_level_m: float) -> StageConditions:
    first, last = trip().stages[0], trip().stages[-1]
    typed = ManualForecast.model_validate(
        {
            "issued_at": first.starts_at - timedelta(hours=12),
            "source_text": "invented",
            "who": "test",
            "blocks": [
                {
                    "starts_at": first.starts_at - timedelta(hours=12),
                    "ends_at": last.ends_at + timedelta(hours=12),
                    "freezing_level": {"best": freezing_level_m},
                    "wind": [{"altitude": trip().place.high_point_m, "wind": 15}],
                    "precipitation": 0,
                    "new_snow": 0,
                    "uv_max": 7,
                    "thunder": "none",
                }
            ],
        }
    )
    return stage_conditions(trip(), to_forecast(typed, trip().place))


def carries(without: str | None = None, **instead: dict[str, Any]) -> list[Sighting]:
    """Sightings of everything that is customary, and of the technical gear, papers and food of the list."""
    found = []
    for requirement in edition().requirements:
        if requirement.scope is not Scope.PERSON or requirement.optional or requirement.id == CAMPS_SUPPLY:
            continue
        if requirement.id == "backup-mitts" and "backup-mitts" not in instead:
            found.append(absent(requirement.id))
            continue
        if requirement.id == without:
            found.append(absent(requirement.id))
            continue
        said = instead.get(
            requirement.id,
            CUSTOMARY.get(requirement.id, demo.scenario().data["fine"].get(requirement.id, {})),
        )
        answers = demo.fitting_answers(
            demo.scenario(), requirement, {k: v for k, v in said.items() if k != "count"}
        )
        found.append(
            Sighting(
                subject="ann",
                requirement=requirement.id,
                known=Known.TRIED,
                state=GearState.FITS,
                count=said.get("count"),
                answers=answers,
            )
        )
    return found


def absent(requirement: str) -> Sighting:
    return Sighting(subject="ann", requirement=requirement, known=Known.SEEN, state=GearState.ABSENT)


def flags(freezing_level_m: float, sightings: list[Sighting]) -> tuple[Finding, ...]:
    the_picture = picture(trip(), member("ann"), *(entry(s) for s in sightings))
    asked = asks(edition(), trip(), weather(freezing_level_m))
    found = findings(asked, lacks(edition(), trip(), the_picture), the_picture)
    return tuple(finding for finding in found if finding.scope is Scope.PERSON)


def test_the_customary_things_are_all_on_the_list() -> None:
    missing = [id_ for id_ in (*CUSTOMARY, CAMPS_SUPPLY) if edition().requirement(id_) is None]
    assert missing == []


def test_nothing_is_lacking_in_an_ordinary_summer() -> None:
    assert [f.title for f in flags(SUMMER_M, carries())] == []


def test_exactly_a_further_dry_pair_of_mitts_is_lacking_when_the_freezing_level_drops() -> None:
    assert [f.requirement for f in flags(DROPPED_M, carries())] == ["backup-mitts"]


def test_with_them_nothing_is_lacking() -> None:
    assert flags(DROPPED_M, carries(**{"backup-mitts": {}})) == ()


@pytest.mark.parametrize("thing", sorted(CUSTOMARY))
def test_each_thing_taken_away_is_one_precise_finding(thing: str) -> None:
    found = flags(SUMMER_M, carries(without=thing))
    assert [(f.requirement, f.kind) for f in found] == [(thing, GapKind.ABSENT)]


NEAR_MISSES: list[tuple[str, dict[str, Any], str]] = [
    ("glacier-glasses", {"category": 2, "side-cover": True}, "category"),
    ("glacier-glasses", {"category": 4, "side-cover": False}, "side-cover"),
    ("mitts", {"kind": "mitt", "over-liner": False}, "over-liner"),
    ("headlamp-power", {"kind": "other-cells", "cold": "lithium"}, "kind"),
    ("headlamp-power", {"kind": "no-cable", "cold": "on-body"}, "kind"),
    ("shell-trousers", {"zips": "ankle", "over-crampons": False}, "zips"),
    ("parka", {"hood": False, "over-all": True, "warmth": "heavy"}, "hood"),
    ("sleeping-bag", {"figure": "extreme-only", "comfort-c": -8, "limit-c": -14}, "figure"),
    ("helmet", {"kind": "ski", "takes-lamp": True}, "kind"),
]


@pytest.mark.parametrize(("thing", "answers", "question"), NEAR_MISSES)
def test_a_near_miss_is_one_finding_that_names_the_question(
    thing: str, answers: dict[str, Any], question: str
) -> None:
    found = flags(SUMMER_M, carries(**{thing: answers}))
    assert [(f.requirement, f.kind) for f in found] == [(thing, GapKind.UNFIT)]
    assert found[0].reasons[0].question == question


def test_a_dry_pair_counted_twice_is_no_dry_pair() -> None:
    found = flags(DROPPED_M, carries(**{"backup-mitts": {"second-pair": False}}))
    assert [(f.requirement, f.reasons[0].question) for f in found] == [("backup-mitts", "second-pair")]


@pytest.mark.parametrize("limit_c", [-9.4, -17.8])
def test_a_bag_rated_between_15_and_0_fahrenheit_is_enough_in_summer(limit_c: float) -> None:
    bag = {"limit-c": limit_c, "comfort-c": limit_c + 5}
    assert flags(SUMMER_M, carries(**{"sleeping-bag": bag})) == ()
