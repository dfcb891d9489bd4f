"""Flags over the API: what people do about them, who may, and the history with its causes."""

from typing import Any
from uuid import UUID

import pytest
from fastapi import FastAPI

from api.ids import new_id
from api.readiness import history, queries
from api.readiness.service import Readiness
from tests.readiness.conftest import OUTFIT, TRIP, ReadAs, TellOn
from tests.support.client import IsolatedTestClient

API = f"/api/trips/{TRIP}"
MITTS = "p07.backup-mitts"
UNTIL = "2026-09-12T20:00:00+06:00"


def flag(client: IsolatedTestClient, finding: str = MITTS) -> dict[str, Any]:
    board = client.get(f"{API}/board").json()
    return next(f for f in (*board["findings"], *board["accepted"]) if f["id"] == finding)  # type: ignore[no-any-return]


def head(client: IsolatedTestClient) -> int:
    return int(client.get(f"{API}/board").json()["seq"])


@pytest.mark.one_database
class TestTaking:
    @pytest.fixture(autouse=True)
    def _laid_out(self, tell_on: TellOn) -> None:
        tell_on("laid-out")

    def test_taken_and_given_back(self, demo_client: IsolatedTestClient) -> None:
        answer = demo_client.post(f"{API}/flags/{MITTS}/take", json={"until": UNTIL, "note": "pool"})
        assert answer.status_code == 200, answer.text
        assert answer.json()["finding"]["life"]["state"] == "taken"
        assert "licensed guides" in answer.json()["caution"]
        mine = demo_client.get(f"{API}/flags", params={"queue": "mine"}).json()["findings"]
        assert [f["id"] for f in mine] == [MITTS]
        answer = demo_client.post(f"{API}/flags/{MITTS}/give-back", json={})
        assert answer.json()["finding"]["life"]["state"] == "open"

    def test_sent_twice_it_is_written_once(self, demo_client: IsolatedTestClient) -> None:
        sent = {"until": UNTIL, "entry": str(new_id())}
        for _ in range(2):
            assert demo_client.post(f"{API}/flags/{MITTS}/take", json=sent).status_code == 200
        after = head(demo_client)
        assert demo_client.post(f"{API}/flags/{MITTS}/take", json={"until": UNTIL}).status_code == 200
        assert head(demo_client) == after

    def test_only_until_a_moment_ahead(self, demo_client: IsolatedTestClient) -> None:
        answer = demo_client.post(f"{API}/flags/{MITTS}/take", json={"until": "2026-09-01T00:00:00+06:00"})
        assert answer.status_code == 422
        assert answer.json()["fields"][0]["field"] == "until"

    def test_what_is_not_open_cannot_be_taken(self, demo_client: IsolatedTestClient) -> None:
        answer = demo_client.post(f"{API}/flags/p01.helmet/take", json={"until": UNTIL})
        assert answer.status_code == 404
        assert demo_client.post(f"{API}/flags/{MITTS}/give-back", json={}).status_code == 409


@pytest.mark.one_database
class TestAccepting:
    @pytest.fixture(autouse=True)
    def _laid_out(self, tell_on: TellOn) -> None:
        tell_on("laid-out")

    @pytest.mark.parametrize("role", ["assistant", "office", "admin"])
    def test_is_for_lead_guides(self, demo_client: IsolatedTestClient, as_role: ReadAs, role: Any) -> None:
        as_role(role)
        answer = demo_client.post(f"{API}/flags/{MITTS}/accept", json={"reason": "good enough"})
        assert answer.status_code == 403
        assert flag(demo_client)["life"]["state"] == "open"

    def test_needs_a_reason(self, demo_client: IsolatedTestClient) -> None:
        assert demo_client.post(f"{API}/flags/{MITTS}/accept", json={"reason": ""}).status_code == 422

    def test_counts_apart_and_can_be_taken_back(self, demo_client: IsolatedTestClient) -> None:
        before = demo_client.get(f"{API}/board").json()["verdict"]["tally"]
        answer = demo_client.post(f"{API}/flags/{MITTS}/accept", json={"reason": "spare pair with Ines"})
        assert answer.json()["finding"]["life"]["state"] == "accepted"
        after = demo_client.get(f"{API}/board").json()["verdict"]["tally"]
        assert (after["advise"], after["accepted"]) == (before["advise"] - 1, before["accepted"] + 1)
        ended = demo_client.post(f"{API}/flags/{MITTS}/end-acceptance", json={"reason": "wet"})
        assert ended.json()["finding"]["life"]["state"] == "reopened"


class TestHistory:
    def test_the_demo_shows_the_life(
        self, app: FastAPI, demo_client: IsolatedTestClient, readiness: Readiness, tell_on: TellOn
    ) -> None:
        tell_on("second-front")
        rows = demo_client.get(f"{API}/flag-history", params={"finding": MITTS}).json()["rows"]
        assert [row["happened"] for row in rows][-5:] == [
            "opened",
            "accepted",
            "reopened",
            "changed",
            "changed",
        ]
        reopened = next(row for row in rows if row["happened"] == "reopened")
        assert reopened["cause_kind"] == "forecast-received"
        assert "Forecast F2" in reopened["because"]
        assert "now 3,350 m, was 3,900 m, the line is 3,600 m" in reopened["because"]

    def test_kept_caught_up_and_rebuilt_it_is_the_same(
        self, app: FastAPI, readiness: Readiness, tell_on: TellOn
    ) -> None:
        db = app.state.db
        tell_on("leaving")
        with db.writing() as work:
            kept_to = history.catch_up(work, readiness, OUTFIT, TRIP)
        tell_on("front-earlier")
        with db.reading() as conn:
            read = history.history(conn, readiness, OUTFIT, TRIP)
            assert max(row.seq for row in read) > kept_to
        with db.writing() as work:
            history.catch_up(work, readiness, OUTFIT, TRIP)
            caught_up = queries.events(work, TRIP)
            history.rebuild(work, readiness, OUTFIT, TRIP)
            rebuilt = queries.events(work, TRIP)
        assert read == caught_up == rebuilt

    def test_what_disappears_has_a_cause_in_the_journal(
        self, app: FastAPI, demo_client: IsolatedTestClient, readiness: Readiness, tell_on: TellOn
    ) -> None:
        tell_on("leaving")
        with app.state.db.reading() as conn:
            entries = readiness.journal.picture(conn, OUTFIT, TRIP).entries
        by_seq = {entry.seq: entry.id for entry in entries}
        rows = demo_client.get(f"{API}/flag-history").json()["rows"]
        assert rows
        assert all(by_seq[row["seq"]] == UUID(row["cause"]) for row in rows)
        open_now: set[str] = set()
        for row in rows:
            if row["happened"] in ("opened", "reopened", "accepted"):
                open_now.add(row["finding"])
            elif row["happened"] == "cleared":
                open_now.remove(row["finding"])
        board = demo_client.get(f"{API}/board").json()
        shown = {f["id"] for f in (*board["findings"], *board["accepted"])}
        assert open_now == shown - {"party.forecast"}


@pytest.mark.one_database
class TestDemo:
    """What the trade's own story expects of each forecast; the scenario is invented."""

    def again(self, client: IsolatedTestClient, after_seq: int) -> set[str]:
        rows = client.get(f"{API}/flag-history", params={"after_seq": after_seq}).json()["rows"]
        return {row["finding"] for row in rows if row["happened"] in ("reopened", "changed")}

    def test_after_the_second_forecast_mitts_and_fuel_are_asked_again(
        self, demo_client: IsolatedTestClient, tell_on: TellOn
    ) -> None:
        tell_on("leaving")
        before = head(demo_client)
        assert flag(demo_client)["life"]["state"] == "accepted"
        tell_on("front-earlier")
        assert {MITTS, "party.fuel"} <= self.again(demo_client, before)
        assert flag(demo_client)["life"]["state"] == "reopened"
        assert flag(demo_client, "party.fuel")["life"]["state"] == "reopened"

    def test_after_the_third_forecast_mitts_lamp_and_bag_are_asked_again(
        self, demo_client: IsolatedTestClient, tell_on: TellOn
    ) -> None:
        tell_on("front-earlier")
        before = head(demo_client)
        tell_on("second-front")
        again = self.again(demo_client, before)
        assert {MITTS, "p08.headlamp", "p10.sleeping-bag"} <= again
        assert flag(demo_client)["grade"] == "stop"

    def test_a_taking_that_is_over_is_free_again(
        self, demo_client: IsolatedTestClient, tell_on: TellOn
    ) -> None:
        tell_on("leaving")
        assert flag(demo_client, "p10.sleeping-bag")["life"]["state"] == "taken"
        tell_on("front-earlier")
        assert flag(demo_client, "p10.sleeping-bag")["life"]["stale"] is True
        free = demo_client.get(f"{API}/flags", params={"queue": "free"}).json()["findings"]
        assert "p10.sleeping-bag" in {f["id"] for f in free}

    def test_before_the_next_hold_point_and_on_one_rope(
        self, demo_client: IsolatedTestClient, tell_on: TellOn
    ) -> None:
        tell_on("leaving")
        hold = demo_client.get(f"{API}/flags", params={"queue": "hold"}).json()
        assert hold["hold"] == "the glacier edge"
        assert {f["id"] for f in hold["findings"]} == {"p06.gaiters"}
        rope = demo_client.get(f"{API}/flags", params={"queue": "rope", "rope": "r2"}).json()
        assert {f["subject"] for f in rope["findings"] if f["requirement"] != "night-gain"} == {"p08"}
        assert demo_client.get(f"{API}/flags", params={"queue": "rope", "rope": "r9"}).status_code == 404
