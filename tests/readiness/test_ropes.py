"""Ropes and party against the permit's rules and good practice, and what would be if some stay behind."""

from dataclasses import replace
from datetime import date, timedelta
from functools import cache
from typing import Any

import pytest

from api.conditions.evaluate import evaluate as stage_conditions
from api.conditions.quantities import quantities
from api.conditions.sources.manual import to_forecast
from api.journal.entry import Entry
from api.journal.fold import fold
from api.journal.kinds import PARTY, GearShared, PartyRulesSet, RopesSet
from api.journal.party import PartyRule
from api.journal.trip import Role, RopeTeam, Terrain
from api.kitlist.loading import read_file, shipped
from api.kitlist.schemas import Grade
from api.readiness.evaluation import Evaluation, evaluate
from api.readiness.ropes import rope_findings
from api.readiness.schemas import Finding, GapKind
from api.readiness.staying import stay_behind
from seeds import demo
from tests.readiness.building import START, edition, entry, member, picture, plan, requirement, sighting
from tests.web import sample

PERMIT = PartyRule(
    id="permit",
    title="Invented permit",
    terrain=Terrain.GLACIER,
    max_clients_per_guide=3,
    least_on_rope=3,
    clients_need_guide=True,
    source="at most three clients per guide, at least three on a rope",
)
CLIMBERS = ("ann", "ben", "cai", "dot", "eve", "fay")


def rules(*given: PartyRule) -> Entry:
    return entry(PartyRulesSet(rules=given or (PERMIT,)))


def people(guides: int, climbers: int) -> list[Entry]:
    leads = [member(f"guide-{i}", Role.LEAD if i == 0 else Role.ASSISTANT) for i in range(guides)]
    return [*leads, *(member(name) for name in CLIMBERS[:climbers])]


def ropes(*teams: tuple[str, ...]) -> Entry:
    made = tuple(RopeTeam(id=f"r{i}", name=f"Rope {i}", members=team) for i, team in enumerate(teams, 1))
    return entry(RopesSet(ropes=made))


def found(*entries: Entry, kit: Any = None) -> dict[str, Finding]:
    trip = plan()
    return {f.id: f for f in rope_findings(trip, picture(trip, *entries), kit)}


class TestPeople:
    def test_a_rope_as_the_permit_asks_is_no_finding(self) -> None:
        team = ("guide-0", "ann", "ben", "cai")
        assert found(*people(1, 3), ropes(team), rules()) == {}

    def test_ratio_passed_is_a_stop_with_the_permit_as_its_basis(self) -> None:
        team = ("guide-0", "ann", "ben", "cai", "dot")
        both = found(*people(1, 4), ropes(team), rules())
        assert set(both) == {"r1.rope-ratio", "party.party-ratio"}
        finding = both["r1.rope-ratio"]
        assert (finding.grade, finding.kind, finding.basis.kind) == (
            Grade.STOP,
            GapKind.RULE,
            "law-or-permit",
        )
        assert finding.reasons[0].says == "4 clients to 1 on this rope, at most 3 are allowed"
        assert "Invented permit" in finding.basis.source

    def test_without_rules_no_ratio_is_made_up(self) -> None:
        team = ("guide-0", "ann", "ben", "cai", "dot")
        assert found(*people(1, 4), ropes(team)) == {}

    def test_no_guide_on_a_rope(self) -> None:
        entries = [*people(1, 5), ropes(("guide-0", "ann", "ben"), ("cai", "dot", "eve"))]
        assert found(*entries)["r2.rope-guide"].grade is Grade.FIX
        assert found(*entries, rules())["r2.rope-guide"].grade is Grade.STOP

    def test_fewer_than_the_least_on_a_rope(self) -> None:
        entries = [*people(2, 4), ropes(("guide-0", "ann"), ("guide-1", "ben", "cai", "dot")), rules()]
        assert set(found(*entries)) == {"r1.rope-least"}

    def test_a_person_alone(self) -> None:
        assert (
            found(*people(2, 1), ropes(("guide-0",), ("guide-1", "ann")))["r1.rope-alone"].grade is Grade.STOP
        )

    def test_on_no_rope_though_the_way_goes_over_a_glacier(self) -> None:
        assert set(found(*people(1, 3), ropes(("guide-0", "ann", "ben")))) == {"cai.on-a-rope"}

    def test_party_too_large_and_too_few_guides(self) -> None:
        limit = PartyRule(id="size", title="Size", max_party=3, min_guides=2, source="text")
        both = found(*people(1, 3), ropes(("guide-0", "ann", "ben", "cai")), rules(limit))
        assert set(both) == {"party.party-size", "party.party-guides"}

    def test_of_two_rules_the_tighter_counts(self) -> None:
        tight = PERMIT.model_copy(update={"id": "tight", "max_clients_per_guide": 2})
        both = found(*people(1, 3), ropes(("guide-0", "ann", "ben", "cai")), rules(PERMIT, tight))
        assert "r1.rope-ratio" in both

    @pytest.mark.parametrize(
        ("changes", "applies"),
        [
            ({}, True),
            ({"effective_from": date(2026, 7, 3)}, True),
            ({"effective_from": date(2026, 7, 4)}, False),
            ({"effective_until": date(2026, 7, 1)}, False),
            ({"season_from": "06-15", "season_until": "09-15"}, True),
            ({"season_from": "11-01", "season_until": "04-30"}, False),
            ({"season_from": "11-01", "season_until": "07-02"}, True),
            ({"terrain": Terrain.ROCKFALL}, False),
        ],
    )
    def test_only_on_its_dates_season_and_ground(self, changes: dict[str, Any], applies: bool) -> None:
        # Glacier on 2 and 3 July.
        rule = PERMIT.model_copy(update=changes)
        team = ("guide-0", "ann", "ben", "cai", "dot")
        assert ("r1.rope-ratio" in found(*people(1, 4), ropes(team), rules(rule))) is applies

    @pytest.mark.parametrize(
        "wrong",
        [
            {"max_clients_per_guide": None, "least_on_rope": None, "clients_need_guide": False},
            {"season_from": "06-15"},
            {"effective_from": date(2026, 7, 2), "effective_until": date(2026, 7, 1)},
            {"max_clients_per_guide": 0},
            {"source": ""},
        ],
    )
    def test_a_rule_that_says_nothing_or_cannot_be_is_refused(self, wrong: dict[str, Any]) -> None:
        with pytest.raises(ValueError):
            PartyRule.model_validate({**PERMIT.model_dump(), **wrong})


class TestRopeLength:
    """Distances of teaching: 3 on a rope 10 to 12 m, 4 or 5 8 to 10 m (common practice)."""

    def grade(self, climbers: int, length_m: float) -> Grade | None:
        team = ("guide-0", *CLIMBERS[:climbers])
        length = entry(sighting("glacier-rope", "r1", answers={"length-m": length_m}))
        finding = found(*people(1, climbers), ropes(team), length).get("r1.rope-length")
        return finding.grade if finding else None

    @pytest.mark.parametrize(
        ("climbers", "length_m", "grade"),
        [
            (1, 45.0, None),  # 15 m between two, 15 m at each end
            (1, 40.0, Grade.ADVISE),
            (2, 40.0, None),  # 20 m between three, 10 m at each end
            (2, 39.0, Grade.ADVISE),
            (3, 40.0, None),  # 24 m between four, 8 m at each end
            (3, 30.0, Grade.ADVISE),
            (3, 20.0, Grade.FIX),
            (4, 60.0, None),
        ],
    )
    def test_what_is_left_at_the_ends(self, climbers: int, length_m: float, grade: Grade | None) -> None:
        assert self.grade(climbers, length_m) is grade

    def test_two_alone_on_a_rope_is_said(self) -> None:
        two = found(*people(1, 1), ropes(("guide-0", CLIMBERS[0])))
        assert two["r1.rope-two"].grade is Grade.FIX
        assert "r1.rope-two" not in found(*people(1, 2), ropes(("guide-0", *CLIMBERS[:2])))

    def test_more_than_five_is_slow(self) -> None:
        team = ("guide-0", *CLIMBERS[:5])
        assert found(*people(1, 5), ropes(team))["r1.rope-many"].grade is Grade.ADVISE


class TestGear:
    KIT = edition(
        requirement("stoves", scope="party", how_many={"per": "party", "count": 2}),
        requirement("group-shelter", scope="party", how_many={"per": "party"}),
        requirement("splint-set", scope="party", how_many={"per": "party"}),
        requirement("hauling-kit", scope="rope", how_many={"per": "rope-end"}),
    )
    BASE = (*people(2, 4), ropes(("guide-0", "ann", "ben"), ("guide-1", "cai", "dot")))

    def gear(self, *shared: tuple[str, str, int, str]) -> set[str]:
        entries = [
            entry(GearShared(subject=subject, requirement=what, unit=unit, carrier=who))
            for subject, what, unit, who in shared
        ]
        return set(found(*self.BASE, *entries, kit=self.KIT))

    def test_both_stoves_in_one_pack(self) -> None:
        assert self.gear((PARTY, "stoves", 1, "ann"), (PARTY, "stoves", 2, "ann")) == {"party.stove-spread"}
        assert self.gear((PARTY, "stoves", 1, "ann"), (PARTY, "stoves", 2, "cai")) == set()

    def test_rescue_gear_all_on_one_rope(self) -> None:
        one = ((PARTY, "group-shelter", 1, "ann"), (PARTY, "splint-set", 1, "ben"))
        assert self.gear(*one) == {"party.rescue-spread"}
        assert self.gear(one[0], (PARTY, "splint-set", 1, "cai")) == set()

    def test_both_hauling_sets_with_one_person(self) -> None:
        assert self.gear(("r1", "hauling-kit", 1, "ann"), ("r1", "hauling-kit", 2, "ann")) == {
            "r1.hauling-spread"
        }

    def test_a_ropes_own_gear_on_another_rope(self) -> None:
        assert self.gear(("r1", "hauling-kit", 1, "cai")) == {"r1.rope-gear-here"}


@cache
def kessandry() -> Evaluation:
    """The demo trip under its second forecast."""
    return sample.evaluation("F2")


class TestIfTheyStay:
    """The rope dilemma of the invented trip: P11 must not go higher."""

    def what_if(self, staying: tuple[str, ...], **given: Any) -> Any:
        return stay_behind(kessandry(), staying, now=START, **given)

    def sides(self, result: Any) -> dict[str, set[str]]:
        return {side.name: {f.requirement for f in side.findings} for side in result.sides}

    def test_a_everyone_waits_breaks_no_rule(self) -> None:
        result = self.what_if(tuple(kessandry().picture.members))
        assert result.on is None
        assert not result.breaks_permit
        assert self.sides(result) == {"Staying": set()}

    def test_a_on_the_reserve_day_more_is_asked(self) -> None:
        base, told = kessandry(), demo.scenario()
        forecast = to_forecast(demo.forecast(told, "F2"), base.plan.place)
        stages = tuple(
            s.model_copy(
                update={
                    "starts_at": s.starts_at + timedelta(days=1),
                    "ends_at": s.ends_at + timedelta(days=1),
                    "via": tuple(v.model_copy(update={"at": v.at + timedelta(days=1)}) for v in s.via),
                }
            )
            if s.id in ("summit", "descent", "walk-out")
            else s
            for s in base.plan.stages
        )
        later = base.plan.model_copy(
            update={"stages": stages, "ends_on": base.plan.ends_on + timedelta(days=1)}
        )
        conditions = stage_conditions(later, forecast, None)
        summit = [s.id for s in later.stages].index("summit")
        assert conditions.low["freezing_level_m"][conditions.base, summit] == 3100
        assert conditions.low["wind_chill_c"][conditions.base, summit] < -20
        amounts = quantities(later, conditions, 11)
        after = evaluate("t", 1, base.picture, later, base.edition, conditions, amounts)
        grade = {f.id: f.grade for f in after.findings}
        assert grade["p07.backup-mitts"] is Grade.STOP
        assert "party.fuel" in grade

    def test_b_a_guide_stays_with_both_clients_of_the_rope(self) -> None:
        result = self.what_if(("p03", "p11", "p10"))
        assert not result.breaks_permit
        assert [rope.rope for rope in result.on.ropes] == ["r1", "r2"]
        assert self.sides(result)["Staying"] == {
            "medicine-box-here",
            "satellite-messenger-here",
            "group-shelter-here",
        }
        assert all(f.kind is GapKind.UNKNOWN for side in result.sides for f in side.findings)

    @pytest.mark.parametrize("rope_id", ["r1", "r2"])
    def test_c_the_other_client_on_a_full_rope_breaks_the_permit(self, rope_id: str) -> None:
        result = self.what_if(("p03", "p11"), moves={"p10": rope_id})
        assert result.breaks_permit
        assert "rope-ratio" in self.sides(result)["Going on"]

    def test_d_all_go_down(self) -> None:
        result = self.what_if((), down=tuple(kessandry().picture.members))
        assert result.on is None
        assert not result.breaks_permit

    def test_e_one_goes_down_without_anyone_of_the_firm(self) -> None:
        result = self.what_if(("p03", "p11"), down=("p10",))
        assert result.breaks_permit
        assert "client-guide" in self.sides(result)["Going down"]

    def test_a_client_left_alone_breaks_the_permit(self) -> None:
        assert self.what_if(("p11",)).breaks_permit

    def test_gear_known_to_be_with_someone_is_on_their_side(self) -> None:
        base = kessandry()
        shared = entry(GearShared(subject=PARTY, requirement="medicine-box", carrier="p03"))
        record = fold([shared]).shares
        after = replace(base, picture=replace(base.picture, shares=record))
        result = stay_behind(after, ("p03", "p11", "p10"), now=START)
        sides = {side.name: side for side in result.sides}
        assert [c.requirement for c in sides["Staying"].gear] == ["medicine-box"]
        assert "medicine-box-here" not in {f.requirement for f in sides["Staying"].findings}
        box = next(f for f in sides["Going on"].findings if f.requirement == "medicine-box-here")
        assert (box.kind, box.reasons[0].says) == (GapKind.SHORT, "it is with the others")

    def test_nothing_of_the_trip_itself_changes(self) -> None:
        before = kessandry().findings
        self.what_if(("p03", "p11"))
        assert kessandry().findings == before
        assert self.what_if(("p11",)).what_if is True


def test_the_demo_itself_keeps_its_permit() -> None:
    assert [f.id for f in kessandry().findings if f.kind is GapKind.RULE] == []
    assert read_file(shipped()["glaciated-peak"]).requirement("medicine-box") is not None
