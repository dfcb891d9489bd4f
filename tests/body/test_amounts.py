"""Fuel, water and light as a kit list asks for them: counted by a line, or held against other lines."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import pytest

from api.conditions.evaluate import evaluate as stage_conditions
from api.conditions.forecast import Forecast
from api.conditions.shifts import Shift
from api.journal.fold import Record
from api.journal.kinds import PARTY, GearState, Sighting
from api.kitlist.loading import read_edition
from api.kitlist.metrics import AMOUNTS_HELD, QUANTITIES
from api.kitlist.rules import faults
from api.kitlist.schemas import Requirement, Scope
from api.kitlist.writing import to_plain, to_yaml
from api.readiness.body_findings import AMOUNTS
from api.readiness.body_tipping import body_tipping_points
from api.readiness.evaluation import Evaluation, evaluate, with_sightings
from api.readiness.mountain import Outlook
from api.readiness.schemas import GapKind
from api.readiness.tipping import Axis
from tests.body.test_findings import asked, evaluated, found
from tests.body.test_scenarios import ids, whole
from tests.readiness import big
from tests.web import sample
from web.pages.kitlist_choices import COMPUTED
from web.pages.kitlist_form import requirement_from
from web.pages.kitlist_rows import requirement_tree

HELD = sorted(AMOUNTS_HELD)


def held(name: str, share: float, scope: str = "", **more: Any) -> Requirement:
    """A line that holds an amount against what other lines show."""
    scope = scope or AMOUNTS_HELD[name][0]
    many = {"count": share, "computed": name, "unit": QUANTITIES[name].unit, "per": scope}
    return asked(name, QUANTITIES[name].unit, share, scope=scope, how_many=many, **more)


def sighted(now: Evaluation, subject: str, requirement: str, **changes: Any) -> Evaluation:
    """The trip after one thing was looked at again; the same as worked out from scratch."""
    key = (subject, requirement)
    old: Record[Sighting] = now.picture.sightings[key][0]
    again = (replace(old, body=old.body.model_copy(update=changes)),)
    picture = replace(now.picture, sightings={**now.picture.sightings, key: again})
    after = with_sightings(now, now.seq + 1, picture, *key)
    anew = evaluate(now.trip, after.seq, picture, now.plan, now.edition, now.conditions, now.quantities)
    assert after.findings == anew.findings
    return after


class TestWhatAListMaySay:
    @pytest.mark.parametrize("name", HELD)
    def test_each_is_known_to_editor_file_and_rules(self, name: str) -> None:
        """Every amount has its way into the form, through the file and back, without a fault."""
        given = sample.evaluation().edition
        assert given is not None
        assert name in {value for value, _ in COMPUTED}
        line = held(name, 0.5)
        edition = given.model_copy(update={"requirements": (*given.requirements, line)})
        assert list(faults(edition)) == []
        assert read_edition(to_yaml(edition)).requirement("of-the-body") == line
        plain = to_plain(edition)["requirements"][-1]
        written = requirement_from(requirement_tree(plain))
        assert written.faults == ()
        assert Requirement.model_validate(written.plain) == line

    @pytest.mark.parametrize("name", HELD)
    def test_it_is_held_against_the_scope_whose_things_are_looked_at(self, name: str) -> None:
        given = sample.evaluation().edition
        assert given is not None
        line = held(name, 0.5, scope="rope")
        edition = given.model_copy(update={"requirements": (*given.requirements, line)})
        assert any("is held against what the line" in fault.message for fault in faults(edition))

    def test_every_such_amount_is_worked_out(self) -> None:
        assert set(AMOUNTS) == set(AMOUNTS_HELD)

    @pytest.mark.parametrize("name", HELD)
    def test_a_line_may_count_the_amount_by_itself(self, name: str) -> None:
        """Not optional, it is a thing: nobody has counted it yet, so it is not known."""
        line = held(name, 1.0).model_copy(update={"optional": False})
        kinds = {finding.kind for finding in found(evaluated(line)).values()}
        assert kinds == {GapKind.UNKNOWN}

    def test_it_stands_on_no_check_sheet(self) -> None:
        line = held("light_h", 1.0)
        assert not line.is_thing
        assert line.model_copy(update={"optional": False}).is_thing
        assert line.model_copy(update={"grades": ()}).is_thing


class TestOnTheBoard:
    def test_fuel_short_of_the_balance(self) -> None:
        """F3 freezes the streams: 4400 g against some 5100 g for eleven people and a reserve day."""
        now = evaluated(held("fuel_g", 1.0), "F3")
        assert now.bodies is not None
        assert float(now.bodies.water_fuel.fuel_g[PARTY][now.conditions.base]) > 4400.0
        findings = found(now)
        assert set(findings) == {PARTY}
        assert "4400 g there" in findings[PARTY].reasons[0].says
        assert "100 % of it asked" in findings[PARTY].reasons[0].says
        assert found(evaluated(held("fuel_g", 0.8), "F3")) == {}

    def test_counting_more_fuel_clears_it(self) -> None:
        before = evaluated(held("fuel_g", 1.0), "F3")
        assert PARTY in found(before)
        assert PARTY not in found(sighted(before, PARTY, "fuel", count=6000.0))
        assert found(sighted(before, PARTY, "fuel", count=None))[PARTY].kind is GapKind.UNKNOWN
        assert PARTY in found(sighted(before, PARTY, "fuel", state=GearState.ABSENT, count=None))

    def test_bottles_short_of_the_stretch(self) -> None:
        """Two litres against 3.8 on the summit day, filled at Shelf Camp on the way down."""
        findings = found(evaluated(held("water_l", 1.0)))
        assert len(findings) == 11
        assert "2.0 L there, 3.8 L needed on Shelf Camp to Kessandry" in findings["p04"].reasons[0].says
        assert found(evaluated(held("water_l", 0.5))) == {}

    def test_more_bottles_clear_it(self) -> None:
        before = evaluated(held("water_l", 1.0))
        assert "p04" not in found(sighted(before, "p04", "bottles", count=4.0))

    def test_a_lamp_short_of_the_dark(self) -> None:
        """Half a charge without a spare covers the dark hours once, not twice."""
        assert found(evaluated(held("light_h", 1.0))) == {}
        assert set(found(evaluated(held("light_h", 2.0)))) == {"p08"}

    def test_what_nobody_has_seen_is_not_known(self) -> None:
        now = evaluated(held("water_l", 1.0))
        bare = replace(now.picture, sightings={})
        anew = evaluate(now.trip, now.seq, bare, now.plan, now.edition, now.conditions, now.quantities)
        assert {finding.kind for finding in found(anew).values()} == {GapKind.UNKNOWN}
        assert not any(finding.known_gap for finding in found(anew).values())


class TestOverScenarios:
    def test_a_tipping_point_by_the_freezing_level(self) -> None:
        """Streams freeze where it goes below a camp, and then more is melted."""
        line = held("fuel_g", 1.0)
        needed = {}
        for metres in (-1500.0, 0.0):
            bodies = whole(line, shift=Shift(freezing_level_m=metres), members=1).bodies
            assert bodies is not None
            needed[metres] = float(bodies.water_fuel.fuel_g[PARTY][0])
        assert needed[-1500.0] > needed[0.0]
        now = whole(line, members=1)
        assert now.bodies is not None
        packed = {PARTY: (needed[-1500.0] + needed[0.0]) / 2.0}
        now = replace(now, bodies=replace(now.bodies, packed_fuel_g=packed))
        points = body_tipping_points(now, big.forecast(1, seed=4))
        by_level = [point for point in points if point.axis is Axis.FREEZING_LEVEL and point.appear]
        assert [tipped.id for point in by_level for tipped in point.appear] == [f"{PARTY}.of-the-body"]
        assert -1500.0 <= by_level[0].shift < 0.0

    @pytest.mark.parametrize(("first", "newest"), [(6, 4), (4, 6)])
    def test_what_a_new_issue_did_to_bodies_is_told_with_why(self, first: int, newest: int) -> None:
        """A bag that one issue lets pass is short in the other; each change says by which night low."""
        older, newer = big.forecast(1, seed=first), big.forecast(1, seed=newest)
        before, after = bags_short(10.0, older), bags_short(10.0, newer)
        assert before != after
        change = Outlook(under(10.0, newer), (older, newer)).since
        assert change is not None
        flags = [flag for flag in change.flags if flag.requirement == "of-the-body"]
        told = {
            turn: {f"{f.subject}.of-the-body" for f in flags if f.turn == turn} for turn in ("opened", "gone")
        }
        assert told == {"opened": after - before, "gone": before - after}
        assert all({number.metric for number in flag.because} == {"night_low_c"} for flag in flags)


def under(least_c: float, forecast: Forecast) -> Evaluation:
    """The big trip under one forecast, with bags asked to be good for the night."""
    now = whole(asked("bag_margin_c", "°C", least_c), members=1)
    return evaluate("big", 1, now.picture, now.plan, now.edition, stage_conditions(now.plan, forecast))


def bags_short(least_c: float, forecast: Forecast) -> set[str]:
    return ids(under(least_c, forecast))


def test_a_finding_about_a_bag_names_the_mat() -> None:
    """A figure of the label beside a mat that makes it doubtful is not left to stand alone."""
    now = evaluated(asked("bag_margin_c", "°C", 40.0))
    bare = tuple(
        stage.model_copy(update={"night": stage.night and stage.night.model_copy(update={"supplied": ()})})
        for stage in now.plan.stages
    )
    plan = now.plan.model_copy(update={"stages": bare})
    seen = {key: records for key, records in now.picture.sightings.items() if key[1] != "sleeping-mat"}
    picture = replace(now.picture, sightings=seen)
    without = evaluate(now.trip, now.seq, picture, plan, now.edition, now.conditions, now.quantities)
    assert len(found(without)) == 11
    assert all("nobody has seen a mat" in f.reasons[0].says for f in found(without).values())
    assert not any("mat" in f.reasons[0].says for f in found(now).values())


def test_wind_beyond_the_standard_is_named() -> None:
    """Above 18 m/s at the body ISO 11079 says nothing; the finding is there all the same and says why."""
    gale = whole(asked("clothing_margin_clo", "clo", -9.0), shift=Shift(wind_factor=6.0), members=1)
    findings = found(gale)
    assert findings
    assert all("more wind at the body than ISO 11079 covers" in f.reasons[0].says for f in findings.values())


def test_a_way_behind_the_party_asks_nothing_of_it() -> None:
    """F2 comes on the evening of the first day: the way of that day is past, and nothing is missing there."""
    now = evaluated(asked("clothing_margin_clo", "clo", -9.0), "F2")
    assert now.bodies is not None
    assert now.bodies.air.walked[:, 0].tolist() == [True] + [False] * 5
    assert found(now) == {}


def test_fuel_asked_of_ropes_is_held_rope_by_rope() -> None:
    """Ropes that camp apart: each has its own, and the party what all of them have, once all is counted."""
    now = sample.evaluation()
    assert now.edition is not None
    fuel = now.edition.requirement("fuel")
    assert fuel is not None
    many = fuel.how_many.model_copy(update={"per": "rope", "computed": None, "unit": None, "count": 1.0})
    by_rope = fuel.model_copy(update={"scope": Scope.ROPE, "how_many": many})
    lines = tuple(by_rope if line.id == "fuel" else line for line in now.edition.requirements)
    edition = now.edition.model_copy(update={"requirements": lines})
    (record,) = now.picture.sightings[PARTY, "fuel"]

    def packed(**grams: float) -> dict[str, float]:
        seen = {key: records for key, records in now.picture.sightings.items() if key != (PARTY, "fuel")}
        for rope, count in grams.items():
            body = record.body.model_copy(update={"subject": rope, "count": count})
            seen[rope, "fuel"] = (replace(record, body=body),)
        picture = replace(now.picture, sightings=seen)
        found = evaluate(now.trip, now.seq, picture, now.plan, edition, now.conditions, now.quantities).bodies
        assert found is not None
        return dict(found.water_fuel.packed_g)

    whole = packed(r1=1500.0, r2=1600.0, r3=1200.0)
    assert whole == {"r1": 1500.0, "r2": 1600.0, "r3": 1200.0, PARTY: 4300.0}
    part = packed(r1=1500.0, r2=1600.0)
    assert part["r1"] == 1500.0
    assert math.isnan(part["r3"])
    assert math.isnan(part[PARTY])
