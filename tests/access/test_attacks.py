"""What someone with ill will tries, and how far it gets."""

from __future__ import annotations

import re
from typing import Any

import pytest
from sqlalchemy import text

from api.ids import new_id
from tests.access.house import (
    A_PAGE,
    FOREIGN_TRIP,
    OTHER_TRIP,
    OWN_TRIP,
    THEIR,
    House,
    email_of,
    staff_id,
)

NASTY = [
    "{{ 7 * 7 }}",
    "{% include '_page.html' %}",
    "${7*7} #{7*7} <%= 7*7 %>",
    "<script>alert(1)</script>",
    '"><img src=x onerror=alert(1)>',
    "'; DROP TABLE staff; --",
    "</title><svg onload=alert(1)>",
]


def remark(
    house: House, *, by: Any = "lead", role: str = "", trip: str = OWN_TRIP, **changes: Any
) -> dict[str, Any]:
    """A remark as a phone sends it."""
    return {
        "id": str(new_id()),
        "trip": trip,
        "body": {"kind": "remark", "text": "All well"},
        "actor": {"id": staff_id(by), "name": f"The {by} of north-ridge", "role": role or by},
        "device": "phone",
        "happened_at": house.now.isoformat(),
    } | changes


def send(house: House, by: Any, entry: dict[str, Any], trip: str = OWN_TRIP) -> dict[str, Any]:
    answer = house.client(by).post(f"/api/trips/{trip}/journal", json={"entries": [entry]})
    assert answer.status_code == 200, answer.text
    outcome: dict[str, Any] = answer.json()["outcomes"][0]
    return outcome


class TestEntries:
    def test_ones_own_is_stored(self, house: House) -> None:
        assert send(house, "lead", remark(house))["status"] == "stored"

    def test_anothers_is_refused_also_when_it_is_sent_again_from_elsewhere(self, house: House) -> None:
        entry = remark(house, by="lead")
        outcome = send(house, "assistant", entry)
        assert outcome["status"] == "refused"
        assert outcome["problem"].startswith("actor: ")
        assert send(house, "lead", entry)["status"] == "stored"

    def test_a_role_one_does_not_have_cannot_be_claimed(self, house: House) -> None:
        assert send(house, "assistant", remark(house, by="assistant", role="lead"))["status"] == "refused"

    def test_a_stored_one_cannot_be_replaced_under_its_id(self, house: House) -> None:
        entry = remark(house)
        send(house, "lead", entry)
        changed = entry | {"body": {"kind": "remark", "text": "Turn back"}}
        assert send(house, "lead", changed)["status"] == "refused"
        assert send(house, "lead", entry)["status"] == "already-there"

    def test_one_for_another_trip_is_not_let_in_through_this_one(self, house: House) -> None:
        for trip in (OTHER_TRIP, FOREIGN_TRIP):
            assert send(house, "lead", remark(house, trip=trip))["status"] == "refused"
            answer = house.client("lead").post(f"/api/trips/{trip}/journal", json={"entries": []})
            assert answer.status_code == 404

    @pytest.mark.parametrize(
        ("by", "body"),
        [
            ("assistant", {"kind": "ropes-set", "ropes": []}),
            ("assistant", {"kind": "member-left", "member": "ida"}),
            ("office", {"kind": "hold-passed", "hold": "glacier-edge", "at": "2026-07-14T04:00:00Z"}),
        ],
    )
    def test_a_kind_for_other_roles_is_refused(self, house: House, by: Any, body: dict[str, Any]) -> None:
        outcome = send(house, by, remark(house, by=by, body=body))
        assert outcome["status"] == "refused"
        assert re.match(r"kind: [a-z-]+ is for the ", outcome["problem"]), outcome["problem"]


class TestTakingBack:
    """A withdrawal undoes what somebody wrote; sent raw, it is judged like one from a page."""

    def back(self, house: House, by: Any, of: str) -> dict[str, Any]:
        body = {"kind": "withdrawn", "entry": of, "reason": "mine to undo"}
        return send(house, by, remark(house, by=by, body=body))

    def written(self, house: House, by: Any, **body: Any) -> str:
        entry = remark(house, by=by, **({"body": body} if body else {}))
        assert send(house, by, entry)["status"] == "stored"
        return str(entry["id"])

    @pytest.mark.parametrize("by", ["assistant", "office", "admin"])
    def test_what_another_wrote_stays(self, house: House, by: Any) -> None:
        outcome = self.back(house, by, self.written(house, "lead"))
        assert outcome["status"] == "refused"
        assert outcome["problem"].startswith("entry: The lead of north-ridge wrote it")

    @pytest.mark.parametrize("by", ["lead", "assistant", "office", "admin"])
    def test_ones_own_is_ones_own(self, house: House, by: Any) -> None:
        assert self.back(house, by, self.written(house, by))["status"] == "stored"

    def test_a_lead_guide_takes_back_anybodys(self, house: House) -> None:
        assert self.back(house, "lead", self.written(house, "assistant"))["status"] == "stored"

    def test_an_acceptance_and_its_end_stay_what_the_lead_guide_said(self, house: House) -> None:
        accepted = self.written(
            house, "lead", kind="flag-accepted", finding="ida.mitts", reason="good enough",
            hold="base", grade="fix", gap="absent",
        )  # fmt: skip
        ended = self.written(house, "lead", kind="acceptance-ended", finding="ida.mitts")
        for entry in (accepted, ended):
            assert self.back(house, "assistant", entry)["status"] == "refused"

    def test_a_lead_guide_who_is_one_no_longer_cannot_revive_an_acceptance(self, house: House) -> None:
        ended = self.written(house, "lead", kind="acceptance-ended", finding="ida.mitts")
        body = {"kind": "withdrawn", "entry": ended}
        sent = remark(house, by="lead", role="assistant", body=body)
        with house.db.writing() as work:
            work.execute(text("UPDATE staff SET role = 'assistant' WHERE id = :id"), {"id": staff_id("lead")})
        outcome = send(house, "lead", sent)
        assert outcome["problem"] == (
            "entry: acceptance-ended is not for the assistant. Ask a lead guide to take it back."
        )

    def test_what_nobody_has_is_nobodys_to_take_back(self, house: House) -> None:
        assert self.back(house, "assistant", str(new_id()))["status"] == "refused"
        mine = remark(house, by="assistant")
        body = {"kind": "withdrawn", "entry": mine["id"]}
        batch = [mine, remark(house, by="assistant", body=body)]
        answer = house.client("assistant").post(f"/api/trips/{OWN_TRIP}/journal", json={"entries": batch})
        assert [each["status"] for each in answer.json()["outcomes"]] == ["stored", "stored"]


class TestSayingMoreThanOneKnows:
    def sighting(self, house: House, by: Any, known: str) -> dict[str, Any]:
        body = {"kind": "sighting", "subject": "ida", "requirement": "certificate", "known": known,
                "state": "fits"}  # fmt: skip
        return send(house, by, remark(house, by=by, body=body))

    @pytest.mark.parametrize("by", ["office", "admin"])
    @pytest.mark.parametrize("known", ["seen", "tried"])
    def test_seen_and_tried_are_for_guides(self, house: House, by: Any, known: str) -> None:
        outcome = self.sighting(house, by, known)
        assert outcome["status"] == "refused"
        assert outcome["problem"].startswith(f"known: {known} is for the guides")

    @pytest.mark.parametrize("known", ["said", "pictured"])
    def test_the_office_records_what_it_was_sent(self, house: House, known: str) -> None:
        assert self.sighting(house, "office", known)["status"] == "stored"

    @pytest.mark.parametrize("by", ["lead", "assistant"])
    def test_guides_record_what_they_had_in_their_hands(self, house: House, by: Any) -> None:
        assert self.sighting(house, by, "tried")["status"] == "stored"


class TestOtherSites:
    @pytest.mark.parametrize(
        "headers",
        [
            {"sec-fetch-site": "cross-site"},
            {"sec-fetch-site": "same-site"},
            {"sec-fetch-site": "cross-site", "origin": "http://127.0.0.1"},
            {"origin": "http://evil.example"},
            {"origin": "null"},
            {"origin": "http://127.0.0.1.evil.example"},
            {"sec-fetch-site": "cross-site", "authorization": "Bearer x"},
        ],
    )
    def test_no_write_comes_through_from_another_site(self, house: House, headers: dict[str, str]) -> None:
        admin = house.client("admin")
        form = {"name": "Eve", "email": "eve@evil.example", "role": "admin"}
        assert admin.post("/staff", data=form, headers=headers).status_code == 403
        assert admin.post("/sign-out", headers=headers).status_code == 403
        assert admin.get("/api/me").status_code == 200
        with house.db.reading() as conn:
            assert not conn.execute(text("SELECT 1 FROM staff WHERE name = 'Eve'")).first()

    def test_a_bearer_token_beside_a_session_does_not_borrow_it(self, house: House) -> None:
        admin = house.client("admin")
        assert admin.get("/api/me", headers={"authorization": "Bearer made-up"}).status_code == 401

    def test_no_page_may_be_framed_or_run_foreign_scripts(self, house: House) -> None:
        for page in ("/account", "/staff", "/sign-in"):
            policy = house.client("admin").get(page, headers=A_PAGE).headers["content-security-policy"]
            assert "frame-ancestors 'none'" in policy
            assert "script-src 'self'" in policy
            assert "unsafe" not in policy

    def test_pages_about_access_are_not_kept_by_browsers(self, house: House) -> None:
        for page in ("/account", "/staff", "/staff/log", f"/trips/{OWN_TRIP}/staff"):
            answer = house.client("admin").get(page, headers=A_PAGE)
            assert answer.headers["cache-control"] == "no-store"


class TestText:
    @pytest.mark.parametrize("nasty", NASTY)
    def test_a_name_is_shown_as_text(self, house: House, nasty: str) -> None:
        admin = house.client("admin")
        form = {"name": nasty, "email": "eve@north-ridge.example", "role": "lead"}
        assert admin.post("/staff", data=form, headers=A_PAGE).status_code == 200
        for page in ("/staff", "/staff/log", f"/trips/{OWN_TRIP}/staff"):
            shown = admin.get(page, headers=A_PAGE)
            assert shown.status_code == 200
            assert "49" not in re.sub(r"[0-9a-f-]{12,}|\d\d:\d\d", "", shown.text)
            for live in ("<script>alert", "<img src=x", "<svg onload", "<%="):
                assert live not in shown.text
        assert admin.get("/api/staff").status_code == 200

    @pytest.mark.parametrize("nasty", NASTY)
    def test_so_is_what_was_typed_to_sign_in_and_the_device(self, house: House, nasty: str) -> None:
        form = {"email": nasty, "password": nasty, "back": nasty}
        shown = house.client().post("/sign-in", data=form, headers=A_PAGE | {"user-agent": nasty})
        assert shown.status_code == 401
        assert nasty not in shown.text or "<" not in nasty
        assert "<script>alert" not in shown.text
        assert 'name="back" value="/"' in shown.text


class TestSizeAndShape:
    def test_a_body_past_the_limit_is_refused_before_anything_is_looked_up(self, house: House) -> None:
        big = b"x" * (house.app.state.settings.max_body_bytes + 1)
        assert house.client().post("/sign-in", content=big).status_code == 413
        assert house.client("lead").post("/api/passkeys", content=big).status_code == 413

    def test_a_huge_password_costs_no_hashing(self, house: House) -> None:
        form = {"email": email_of("lead"), "password": "x" * 100_000}
        assert house.client().post("/sign-in", data=form).status_code == 422
        assert house.log() == []

    def test_a_null_character_is_never_a_failure(self, house: House) -> None:
        form = {"email": "a\x00b@c.example", "password": "a\x00b"}
        assert house.client().post("/sign-in", data=form, headers=A_PAGE).status_code in (401, 422)
        lead, admin = house.client("lead"), house.client("admin")
        assert lead.post("/account/passkeys/remove", data={"passkey": "a\x00b"}).status_code == 422
        assert lead.post("/account/devices/a%00b/end").status_code == 404
        assert admin.post("/staff/a%00b/role", data={"role": "lead"}).status_code == 404
        assert admin.get("/api/staff-log", params={"before": "a\x00b"}).status_code == 422
        assert admin.post(f"/trips/{OWN_TRIP}/staff", data={"staff": "a\x00b"}).status_code == 422
        assert house.client().get("/join/a%00b").status_code == 404

    def test_a_huge_token_is_only_a_wrong_one(self, house: House) -> None:
        headers = {"authorization": "Bearer " + "x" * 10_000}
        assert house.client().get("/api/me", headers=headers).status_code == 401

    @pytest.mark.parametrize(
        "path",
        [
            "/static/../api/access/passwords.py",
            "/static/%2e%2e/%2e%2e/pyproject.toml",
            "/static/..%2f..%2fpyproject.toml",
            "/static/%5c..%5cpyproject.toml",
            "/trips/..%2fown-trip",
            f"/api/trips/{OTHER_TRIP}%2f..%2f{OWN_TRIP}/staff",
            f"/api/trips/{FOREIGN_TRIP}%00/staff",
            f"/api//trips/{FOREIGN_TRIP}/staff",
            f"/api/trips/{OWN_TRIP}/../{OTHER_TRIP}/staff",
        ],
    )
    def test_tricks_with_paths_lead_nowhere(self, house: House, path: str) -> None:
        answer = house.client("lead").get(path, headers=A_PAGE)
        assert answer.status_code in (307, 400, 404, 422)
        assert "import" not in answer.text
        assert staff_id("lead") not in answer.text

    def test_two_sessions_sent_at_once_do_not_mix(self, house: House) -> None:
        lead, admin = house.session("lead").token, house.session("admin", THEIR).token
        answer = house.client().get("/api/me", headers={"cookie": f"rimaye={lead}; rimaye={admin}"})
        assert answer.json()["outfit"] in ("north-ridge", THEIR)
        assert answer.json()["id"] in (staff_id("lead"), staff_id("admin", THEIR))


class TestDemo:
    def test_the_role_cookie_counts_for_nothing_outside_the_demo(self, house: House) -> None:
        stranger = house.client()
        stranger.cookies.set("rimaye_role", "admin", domain="127.0.0.1", path="/")
        assert stranger.get("/api/me").status_code == 401
        assert stranger.post("/demo/role", data={"role": "admin"}).status_code == 404
        lead = house.client("lead")
        lead.cookies.set("rimaye_role", "admin", domain="127.0.0.1", path="/")
        assert lead.get("/api/me").json()["role"] == "lead"
