"""Staff: roles, keeping out, who is on a trip, tokens for programs, and the log."""

from __future__ import annotations

import re
from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import text
from sqlalchemy.exc import DatabaseError

from api.access.current import SEEN_EVERY
from api.clock import FixedClock
from api.journal.queries import create_trip
from tests.access.house import (
    A_PAGE,
    FOREIGN_TRIP,
    OTHER_TRIP,
    OUR,
    OWN_TRIP,
    THEIR,
    House,
    staff_id,
)
from tests.support.client import IsolatedTestClient


class TestRoles:
    def test_a_new_role_counts_at_the_next_sign_in_and_ends_the_old_ones(self, house: House) -> None:
        lead = house.client("lead")
        assert lead.get("/api/me").json()["role"] == "lead"
        answer = house.client("admin").post(f"/staff/{staff_id('lead')}/role", data={"role": "assistant"})
        assert answer.status_code == 303
        assert lead.get("/api/me").status_code == 401
        assert house.client("lead").get("/api/me").json()["role"] == "assistant"
        assert house.log()[-2][1:] == ("role changed", f"{staff_id('lead')}: lead to assistant")

    def test_nobody_changes_their_own_by_asking(self, house: House) -> None:
        for role in ("lead", "assistant", "office"):
            client = house.client(role)
            assert client.patch(f"/api/staff/{staff_id(role)}", json={"role": "admin"}).status_code == 403
            assert client.get("/api/me").json()["role"] == role

    def test_the_last_administrator_stays(self, house: House) -> None:
        admin = house.client("admin")
        for change in ({"role": "office"}, {"active": False}):
            answer = admin.patch(f"/api/staff/{staff_id('admin')}", json=change)
            assert (answer.status_code, answer.json()["code"]) == (409, "conflict")
        assert admin.patch(f"/api/staff/{staff_id('office')}", json={"role": "admin"}).status_code == 200
        assert admin.patch(f"/api/staff/{staff_id('admin')}", json={"role": "office"}).status_code == 200

    def test_staff_of_another_outfit_are_out_of_reach(self, house: House) -> None:
        admin, theirs = house.client("admin"), staff_id("lead", THEIR)
        unknown = admin.patch("/api/staff/nobody-else", json={"role": "office"})
        found = admin.patch(f"/api/staff/{theirs}", json={"role": "office"})
        assert (found.status_code, unknown.status_code) == (404, 404)
        assert found.text.replace(theirs, "X") == unknown.text.replace("nobody-else", "X")
        for path in ("role", "end", "link", "links/revoke", "active"):
            form = {"role": "office", "active": "false"}
            assert admin.post(f"/staff/{theirs}/{path}", data=form).status_code == 404
        assert THEIR not in admin.get("/staff", headers=A_PAGE).text

    def test_keeping_someone_out_ends_everything_they_hold(self, house: House) -> None:
        house.give_password("lead")
        lead = house.client("lead")
        token = lead.post("/api/tokens", json={"label": "x", "role": "lead"}).json()["token"]
        admin = house.client("admin")
        admin.post(f"/staff/{staff_id('lead')}/active", data={"active": "false"})
        assert lead.get("/api/me").status_code == 401
        bearer = {"authorization": f"Bearer {token}"}
        assert house.client().get("/api/me", headers=bearer).status_code == 401
        admin.post(f"/staff/{staff_id('lead')}/active", data={"active": "true"})
        assert house.client().get("/api/me", headers=bearer).status_code == 401, "it stays revoked"

    def test_a_lost_phone_is_signed_out_by_the_administrator(self, house: House) -> None:
        lost = house.client("assistant")
        assert house.client("admin").post(f"/staff/{staff_id('assistant')}/end").status_code == 303
        assert lost.get("/api/me").status_code == 401


class TestOnATrip:
    def put(self, house: House, *staff: str, trip: str = OWN_TRIP, by: Any = "office") -> Any:
        sent = {"staff": [{"staff": one} for one in staff]}
        return house.client(by).put(f"/api/trips/{trip}/staff", json=sent)

    def test_a_guide_sees_a_trip_as_long_as_they_are_assigned(self, house: House) -> None:
        lead = house.client("lead")
        assert lead.get(f"/api/trips/{OTHER_TRIP}/staff").status_code == 404
        assert self.put(house, staff_id("lead"), trip=OTHER_TRIP).status_code == 200
        assert [one["staff"] for one in lead.get(f"/api/trips/{OTHER_TRIP}/staff").json()] == [
            staff_id("lead")
        ]
        assert self.put(house, trip=OTHER_TRIP).json() == []
        assert lead.get(f"/api/trips/{OTHER_TRIP}/staff").status_code == 404
        whats = [what for _, what, _ in house.log() if what != "signed in"]
        assert whats == ["assigned to trip", "taken off trip"]

    def test_only_active_guides_of_the_outfit_are_assigned(self, house: House) -> None:
        for nobody in (staff_id("lead", THEIR), staff_id("office"), "nobody"):
            answer = self.put(house, staff_id("lead"), nobody)
            assert answer.status_code == 422
            assert answer.json()["fields"][0]["value"] == nobody
        assert self.put(house, staff_id("lead"), trip=FOREIGN_TRIP).status_code == 404

    def test_a_guide_cannot_lose_sight_of_the_trip_by_mistake(self, house: House) -> None:
        answer = self.put(house, staff_id("assistant"), by="lead")
        assert (answer.status_code, answer.json()["code"]) == (403, "refused")
        assert self.put(house, staff_id("lead"), by="lead").status_code == 200

    def test_an_assistant_does_not_decide_it(self, house: House) -> None:
        assert self.put(house, staff_id("assistant"), by="assistant").status_code == 403

    def test_the_page_works_without_scripts(self, house: House) -> None:
        office = house.client("office")
        page = office.get(f"/trips/{OWN_TRIP}/staff", headers=A_PAGE).text
        assert page.count(" checked") == 2
        form = {"staff": [staff_id("lead")]}
        assert office.post(f"/trips/{OWN_TRIP}/staff", data=form).status_code == 303
        assert office.get(f"/trips/{OWN_TRIP}/staff", headers=A_PAGE).text.count(" checked") == 1

    def test_a_guide_may_be_one_of_the_members(self, house: House) -> None:
        with house.db.writing() as work:
            work.execute(
                text(
                    'INSERT INTO trip_member (trip_id, member, outfit_id, name, role, "left")'
                    " VALUES (:trip, 'ida', :outfit, 'Ida', 'lead', :no)"
                ),
                {"trip": OWN_TRIP, "outfit": OUR, "no": False},
            )
        client = house.client("office")
        sent = {"staff": [{"staff": staff_id("lead"), "member": "ida"}]}
        answer = client.put(f"/api/trips/{OWN_TRIP}/staff", json=sent)
        assert answer.json()[0]["member"] == "ida"
        sent["staff"][0]["member"] = "nobody"
        assert client.put(f"/api/trips/{OWN_TRIP}/staff", json=sent).status_code == 422

    def test_who_opens_a_trip_is_on_it(self, house: House) -> None:
        from api.access import assigning
        from api.access.current import may_see

        with house.db.writing() as work:
            for role in ("lead", "office"):
                create_trip(work, f"new-by-{role}", OUR, house.now)
                assigning.assign_creator(work, house.reader(role), f"new-by-{role}", house.now)
            seen = may_see(work, house.reader("lead"))
            assert (seen("new-by-lead"), seen("new-by-office")) == (True, False)


class TestTokens:
    def make(self, house: House, role: Any = "lead", **sent: Any) -> Any:
        return house.client(role).post("/api/tokens", json={"label": "Weather reader", "role": role} | sent)

    def program(self, house: House, token: str) -> IsolatedTestClient:
        client = house.client()
        client.headers["authorization"] = f"Bearer {token}"
        return client

    def test_a_program_acts_for_its_owner_on_their_trips(self, house: House) -> None:
        program = self.program(house, self.make(house).json()["token"])
        assert program.get("/api/me").json()["id"] == staff_id("lead")
        assert program.get(f"/api/trips/{OWN_TRIP}/staff").status_code == 200
        assert program.get(f"/api/trips/{OTHER_TRIP}/staff").status_code == 404

    def test_in_a_lesser_role_it_may_do_less(self, house: House) -> None:
        program = self.program(house, self.make(house, role="lead").json()["token"])
        made = house.client("lead").post("/api/tokens", json={"label": "x", "role": "assistant"}).json()
        lesser = self.program(house, made["token"])
        assert "call.make" in program.get("/api/me").json()["actions"]
        assert "call.make" not in lesser.get("/api/me").json()["actions"]

    @pytest.mark.parametrize(
        ("owner", "role"), [("lead", "admin"), ("office", "lead"), ("assistant", "lead")]
    )
    def test_it_never_gets_more_than_its_owner_has(self, house: House, owner: Any, role: str) -> None:
        answer = house.client(owner).post("/api/tokens", json={"label": "x", "role": role})
        assert (answer.status_code, answer.json()["fields"][0]["field"]) == (422, "role")

    def test_it_ends_when_its_owner_loses_the_role(self, house: House) -> None:
        program = self.program(house, self.make(house).json()["token"])
        assert program.get("/api/me").status_code == 200
        house.client("admin").patch(f"/api/staff/{staff_id('lead')}", json={"role": "assistant"})
        assert program.get("/api/me").status_code == 401

    def test_it_ends_when_revoked_and_when_its_time_is_over(self, house: House, clock: FixedClock) -> None:
        first, second = (self.make(house, days=1).json()["token"] for _ in range(2))
        lead = house.client("lead")
        token_id = lead.get("/api/tokens").json()[0]["id"]
        assert house.client("office").delete(f"/api/tokens/{token_id}").status_code == 404
        assert lead.delete(f"/api/tokens/{token_id}").status_code == 204
        statuses = [self.program(house, token).get("/api/me").status_code for token in (first, second)]
        assert sorted(statuses) == [200, 401]
        clock.advance(timedelta(days=1))
        assert {self.program(house, token).get("/api/me").status_code for token in (first, second)} == {401}

    def test_a_program_cannot_widen_its_own_access(self, house: House) -> None:
        program = self.program(house, self.make(house, role="admin").json()["token"])
        assert program.post("/api/tokens", json={"label": "x", "role": "admin"}).status_code == 403
        assert program.post("/api/passkeys/begin", json={}).status_code == 403
        form = {"present": "x", "password": "y", "again": "y"}
        assert program.post("/account/password", data=form).status_code == 403

    def test_it_is_shown_once_and_kept_as_a_hash(self, house: House) -> None:
        lead = house.client("lead")
        form = {"label": "Weather reader", "role": "assistant", "days": "30"}
        page = lead.post("/account/tokens", data=form, headers=A_PAGE).text
        found = re.search(r"<code>([\w-]{43})</code>", page)
        assert found
        assert found[1] not in lead.get("/account", headers=A_PAGE).text
        with house.db.reading() as conn:
            assert found[1] not in str(conn.execute(text("SELECT * FROM api_token")).fetchall())

    def test_its_use_is_logged_now_and_then(self, house: House, clock: FixedClock) -> None:
        program = self.program(house, self.make(house).json()["token"])
        for _ in range(3):
            program.get("/api/me")
            clock.advance(timedelta(seconds=30))
        clock.advance(SEEN_EVERY)
        program.get("/api/me")
        used = [line for line in house.log() if line[1] == "token used"]
        assert used == [(staff_id("lead"), "token used", "Weather reader")] * 2


class TestLog:
    def test_it_shows_one_outfit_its_own_lines_the_newest_first(self, house: House) -> None:
        house.client("lead", THEIR)
        admin = house.client("admin")
        admin.post("/staff", data={"name": "Ines", "email": "i@x.example", "role": "office"})
        lines = admin.get("/api/staff-log").json()
        assert [(line["who"], line["what"], line["about"]) for line in lines] == [
            (f"The admin of {OUR}", "invited", "ines"),
            (f"The admin of {OUR}", "signed in", "password"),
        ]
        assert lines[1]["address"] == "192.0.2.0/24"
        assert admin.get("/api/staff-log", params={"before": lines[0]["id"]}).json() == lines[1:]
        page = admin.get("/staff/log", headers=A_PAGE).text
        assert page.index("invited") < page.index("signed in")

    @pytest.mark.parametrize("statement", ["UPDATE staff_log SET what = 'x'", "DELETE FROM staff_log"])
    def test_the_database_itself_refuses_to_change_it(self, house: House, statement: str) -> None:
        house.client("lead")
        with pytest.raises(DatabaseError, match="only added"), house.db.writing() as work:
            work.execute(text(statement))
        assert len(house.log()) == 1
