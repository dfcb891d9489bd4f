"""The locker over HTTP as programs use it."""

import pytest
from fastapi import FastAPI

from api.access.current import Role
from tests.locker.conftest import TRIP
from tests.support.client import IsolatedTestClient
from tests.support.readers import read_as

ITEMS, LOANS, COVER = "/api/locker/items", f"/api/trips/{TRIP}/loans", f"/api/trips/{TRIP}/cover"


class TestItems:
    def test_listed_with_state_and_what_stands_against(self, lent: IsolatedTestClient) -> None:
        found = lent.get(ITEMS, params={"state": "quarantine"}).json()["items"]
        assert [(item["id"], item["free"]) for item in found] == [("he-02", 0)]
        assert found[0]["against"][0].startswith("In quarantine since 24 August 2026")

    def test_free_between_days(self, lent: IsolatedTestClient) -> None:
        days = {"meets": "parka", "free_from": "2026-09-12", "free_until": "2026-09-15", "free_only": True}
        assert [item["id"] for item in lent.get(ITEMS, params=days).json()["items"]] == ["pa-01"]

    def test_added_then_read_then_changed(self, lent: IsolatedTestClient) -> None:
        new = {"id": "hl-09", "what": "Headlamp", "meets": ["headlamp"], "answers": {"charge-percent": 90}}
        assert lent.post(ITEMS, json=new).status_code == 201
        again = lent.post(ITEMS, json=new)
        assert (again.status_code, again.json()["code"]) == (409, "conflict")
        changed = {key: value for key, value in new.items() if key != "id"} | {"place": "drawer 9"}
        page = lent.put(f"{ITEMS}/hl-09", json=changed).json()
        assert page["place"] == "drawer 9"
        assert [event["kind"] for event in page["events"]] == ["changed", "added"]

    @pytest.mark.parametrize(
        "wrong",
        [
            {"protective": "hovercraft"},
            {"size": "huge", "sized_by": "hands"},
            {"quantity": 3},
            {"protective": "harness", "counted": True, "quantity": 2},
            {"weight_g": -1},
            {"meets": []},
            {"made": "9999-12-31", "years_from_made": 10},
            {"remark": "bent\0"},
        ],
    )
    def test_what_cannot_be_is_refused_with_a_remedy(
        self, lent: IsolatedTestClient, wrong: dict[str, object]
    ) -> None:
        answer = lent.post(ITEMS, json={"id": "x-1", "what": "Thing", "meets": ["mitts"], **wrong})
        assert answer.status_code == 422
        assert answer.headers["content-type"] == "application/problem+json"
        assert all(field["remedy"] for field in answer.json()["fields"])
        assert lent.get(f"{ITEMS}/x-1").status_code == 404

    def test_examination_not_passed_is_quarantine(self, lent: IsolatedTestClient) -> None:
        body = {"on": "2026-09-10", "examined_by": "Tashi Wangdrak", "passed": False, "found": "crack"}
        page = lent.post(f"{ITEMS}/cr-01/inspections", json=body).json()
        assert page["state"] == "quarantine"
        early = lent.post(f"{ITEMS}/cr-02/inspections", json=body | {"on": "2027-01-01"})
        assert early.json()["fields"][0]["field"] == "on"


@pytest.mark.one_database
class TestLoansAndCover:
    def test_whole_life_of_a_loan(self, lent: IsolatedTestClient) -> None:
        asked = {"item": "st-02", "subject": "p09", "requirement": "shell-trousers"}
        promised = lent.post(LOANS, json=asked)
        assert promised.status_code == 201
        loan = promised.json()["loan"]
        out = lent.post(
            f"{LOANS}/{loan}/hand-out", json={"known": "tried", "answers": {"over-crampons": True}}
        )
        assert out.json()["state"] == "out"
        assert lent.get(f"{ITEMS}/st-02").json()["state"] == "out"
        back = lent.post(f"{LOANS}/{loan}/return", json={"condition": "lost", "remark": "blown away"})
        assert back.json()["state"] == "returned"
        page = lent.get(f"{ITEMS}/st-02").json()
        assert (page["state"], page["retired_reason"][-10:]) == ("retired", "blown away")

    @pytest.mark.parametrize("role", ["office", "admin"])
    def test_handed_out_by_the_office_it_is_not_seen(
        self, lent: IsolatedTestClient, app: FastAPI, role: Role
    ) -> None:
        asked = {"item": "st-02", "subject": "p09", "requirement": "shell-trousers"}
        loan = lent.post(LOANS, json=asked).json()["loan"]
        read_as(app, role)
        refused = lent.post(f"{LOANS}/{loan}/hand-out", json={"known": "tried"})
        assert (refused.status_code, refused.json()["fields"][0]["field"]) == (422, "known")
        assert lent.post(f"{LOANS}/{loan}/hand-out", json={}).json()["state"] == "out"

    def test_cover_carries_the_caution_and_says_it_is_not_seen_yet(self, lent: IsolatedTestClient) -> None:
        plan = lent.get(COVER).json()
        assert "final call rests with the licensed guides" in plan["caution"]
        assert "not seen yet" in plan["means"]
        assert all(line["says"].endswith(".") for line in plan["lines"])

    def test_same_plan_every_time(self, lent: IsolatedTestClient) -> None:
        assert lent.get(COVER).json() == lent.get(COVER).json()

    def test_applied_in_part(self, lent: IsolatedTestClient) -> None:
        lines = [line["id"] for line in lent.get(COVER).json()["lines"]]
        answer = lent.post(COVER, json={"lines": lines[:3]}).json()
        assert [result["status"] for result in answer["results"]] == ["promised"] * 3
        assert len(lent.get(COVER).json()["lines"]) == len(lines) - 3

    @pytest.mark.parametrize(
        ("method", "address"),
        [("get", "/api/trips/nowhere/cover"), ("get", f"{ITEMS}/zz-1"), ("post", f"{LOANS}/loan-x/return")],
    )
    def test_what_is_not_there(self, lent: IsolatedTestClient, method: str, address: str) -> None:
        body = {"json": {"condition": "fine"}} if method == "post" else {}
        answer = lent.request(method, address, **body)
        assert (answer.status_code, answer.json()["code"]) == (404, "not-found")


@pytest.mark.parametrize(
    "address", ["/locker/items/%00", "/locker/find?label=%00", f"/trips/{TRIP}/loans/%00"]
)
def test_addresses_with_odd_characters(lent: IsolatedTestClient, address: str) -> None:
    assert lent.get(address, headers={"accept": "text/html"}).status_code == 404


@pytest.mark.one_database
def test_every_operation_is_described(lent: IsolatedTestClient) -> None:
    paths = lent.get("/api/openapi.json").json()["paths"]
    ours = {
        (method, path): operation
        for path, operations in paths.items()
        if "/locker/" in path or "/loans" in path or path.endswith("/cover")
        for method, operation in operations.items()
    }
    assert len(ours) == 17
    for where, operation in ours.items():
        assert operation["summary"], where
        good = next(status for status in operation["responses"] if status.startswith("2"))
        schema = operation["responses"][good]["content"]["application/json"]["schema"]
        assert "$ref" in schema, where
