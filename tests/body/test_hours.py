"""A guide's own hours: kept in the journal, and used by effort, light, arrival and turning round."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from api.call.rules import turnaround
from api.journal.decisions import HoursSet, PaceSet
from api.journal.entry import Actor, Entry
from api.journal.fold import Picture, fold
from api.journal.kinds import AnyBody
from api.readiness.bodies import own_hours
from api.readiness.evaluation import Evaluation, evaluate, with_picture
from api.readiness.stepping import Walk
from seeds import demo
from tests.body.test_doors import API, PAGE, told
from tests.journal.histories import entry_id
from tests.support.client import IsolatedTestClient
from tests.web import sample

pytestmark = pytest.mark.one_database
TRIP = demo.scenario().trip
AT = datetime(2026, 9, 12, 6, tzinfo=UTC)
LEAD = Actor(id="p01", name="Some lead", role="lead")


def written(number: int, body: AnyBody) -> Entry:
    at = AT + timedelta(minutes=number)
    return Entry(
        id=entry_id(number), trip=TRIP, body=body, actor=LEAD, device="d", happened_at=at, seen_seq=number
    )


def pictured(*bodies: AnyBody) -> Picture:
    """The demo trip with some entries more, one a minute."""
    given = sample.evaluation().picture
    decided = fold([written(n, body) for n, body in enumerate(bodies, start=1)]).decided
    return replace(given, decided=decided)


def hours(*bodies: AnyBody) -> dict[str, float]:
    return own_hours(pictured(*bodies), sample.evaluation().plan)


class TestWhichCount:
    def test_the_last_word_of_a_stage(self) -> None:
        assert hours(HoursSet(stage="summit", hours=7.0)) == {"summit": 7.0}
        assert hours(HoursSet(stage="summit", hours=7.0), HoursSet(stage="summit", hours=8.0)) == {
            "summit": 8.0
        }
        assert hours(HoursSet(stage="summit", hours=7.0), HoursSet(stage="summit")) == {}

    def test_a_stage_that_is_no_longer_planned_has_none(self) -> None:
        assert hours(HoursSet(stage="elsewhere", hours=7.0)) == {}

    def test_the_way_down_as_set_at_a_call_counts_too(self) -> None:
        assert hours(PaceSet(stage="summit", down_h=5.0)) == {"descent": 5.0}
        assert hours(PaceSet(stage="summit", margin_h=2.0)) == {}

    def test_of_both_the_later_counts(self) -> None:
        pace, own = PaceSet(stage="summit", down_h=5.0), HoursSet(stage="descent", hours=6.0)
        assert hours(pace, own) == {"descent": 6.0}
        assert hours(own, pace) == {"descent": 5.0}
        assert hours(pace, HoursSet(stage="descent")) == {}

    def test_the_call_turns_by_the_same_hours(self) -> None:
        plan = sample.evaluation().plan
        by = {}
        for name, bodies in (("plan", ()), ("own", (HoursSet(stage="descent", hours=9.0),))):
            found = turnaround(plan, pictured(*bodies), AT)
            assert found is not None
            assert found.latest_at is not None
            by[name] = found
        assert by["own"].down_h == 9.0
        assert by["own"].plan_down_h == by["plan"].down_h == 7.5
        assert by["plan"].latest_at - by["own"].latest_at == timedelta(hours=1.5)  # type: ignore[operator]


class TestBoard:
    def test_bodies_go_by_them(self) -> None:
        now = sample.evaluation()
        later = with_picture(now, now.seq + 1, pictured(HoursSet(stage="summit", hours=12.0)))
        assert now.bodies is not None
        assert later.bodies is not None
        base = now.conditions.base
        top = [stage.id for stage in now.plan.stages].index("summit")
        assert later.bodies.load.party_h[top, base] == 12.0
        assert (
            later.bodies.load.metabolic_wpm2[:, top, base] < now.bodies.load.metabolic_wpm2[:, top, base]
        ).all()
        # The sun is up before twelve hours are over: the dark there is the same, the way down is later.
        dark = [bodies.light.dark_h[:, base] for bodies in (now.bodies, later.bodies)]
        assert dark[1][top] == pytest.approx(dark[0][top], abs=1e-3)
        assert dark[1][top + 1] > dark[0][top + 1]

    @pytest.mark.parametrize(
        "body",
        [HoursSet(stage="summit", hours=12.0), PaceSet(stage="summit", down_h=20.0)],
        ids=lambda b: b.kind,
    )
    def test_a_walk_through_the_journal_sees_them(self, body: AnyBody) -> None:
        """What is worked out entry by entry is what is worked out anew."""
        now = sample.evaluation()

        def anew(picture: Picture, entries: Any) -> Evaluation:
            same = replace(now.picture, decided=picture.decided)
            return evaluate(
                now.trip, len(entries), same, now.plan, now.edition, now.conditions, now.quantities
            )

        walk = Walk(anew)
        walk.begin([])
        entry = written(1, body)
        picture = replace(now.picture, decided=fold([entry]).decided)
        walk.step(entry)
        assert walk.evaluation is not None
        assert walk.evaluation.bodies is not None
        fresh = anew(picture, [entry]).bodies
        assert fresh is not None
        assert fresh.settings.hours == own_hours(picture, now.plan) != {}
        assert own_hours(walk.evaluation.picture, now.plan) == fresh.settings.hours


class TestPage:
    def keep(self, client: IsolatedTestClient, **typed: str) -> Any:
        seq = told(client)["seq"]
        fields = {f"hours-{stage}": text for stage, text in typed.items()}
        return client.post(f"{PAGE}/hours", data={"seen_seq": str(seq), **fields}, follow_redirects=False)

    def summit(self, client: IsolatedTestClient) -> dict[str, Any]:
        return dict(next(s for s in told(client)["stages"] if s["stage"] == "summit"))

    def test_they_are_kept_and_given_back(self, client: IsolatedTestClient) -> None:
        estimate = self.summit(client)["hours"]
        answer = self.keep(client, summit="7,5")
        assert answer.status_code == 303, answer.text
        kept = self.summit(client)
        assert (kept["own_hours"], kept["hours"]["base"]) == (True, 7.5)
        assert kept["estimated_h"] != kept["hours"]
        assert "A guide" in client.get(PAGE).text
        assert 'value="7.5"' in client.get(PAGE).text
        before = told(client)["seq"] - 1
        (line,) = client.get(f"/api/trips/{TRIP}/journal", params={"after": before}).json()["entries"]
        assert line["body"] == {"kind": "hours-set", "stage": "summit", "hours": 7.5, "reason": ""}
        self.keep(client, summit="")
        back = self.summit(client)
        assert (back["own_hours"], back["hours"]) == (False, estimate)

    def test_what_is_the_same_is_not_written_again(self, client: IsolatedTestClient) -> None:
        before = told(client)["seq"]
        self.keep(client, summit="7", descent="")
        once = told(client)["seq"]
        self.keep(client, summit="7.0", descent="")
        assert (once, told(client)["seq"]) == (before + 1, before + 1)

    def test_all_that_is_wrong_is_said_and_nothing_kept(self, client: IsolatedTestClient) -> None:
        before = told(client)["seq"]
        answer = self.keep(client, summit="long", descent="30", **{"walk-out": "2"})
        assert answer.status_code == 422
        assert "Write a number from 0.1 to 24." in answer.text
        assert 'value="long"' in answer.text
        assert 'value="30"' in answer.text
        assert told(client)["seq"] == before

    def test_a_try_in_the_address_goes_over_them_and_is_not_kept(self, client: IsolatedTestClient) -> None:
        self.keep(client, summit="7")
        tried = client.get(API, params={"hours-summit": "9"}).json()["stages"]
        assert next(s for s in tried if s["stage"] == "summit")["hours"]["base"] == 9.0
        assert self.summit(client)["hours"]["base"] == 7.0
