"""The JSON API: trips, people, ropes, files, and two people who change the same thing."""

from dataclasses import replace
from datetime import UTC, datetime

import pytest
from sqlalchemy import insert

from api.access.current import Reader
from api.access.models import Staff, table
from api.journal.fold import fold
from api.journal.store import read

from .conftest import OFFICE, read_as, seq
from .people import PEOPLE
from .plans import plan_json, stage_json

A_DAY = datetime(2026, 7, 1, tzinfo=UTC)
ANA = {"name": "Ana Duarte", "role": "climber"}


def entries(client, trip) -> list:
    with client.app.state.db.reading() as conn:
        return read(conn, trip)


# -- trips and plans


def test_a_trip_is_created_listed_and_read(client):
    answer = client.post("/api/trips", json={"plan": plan_json()})
    assert answer.status_code == 201
    trip = answer.json()
    assert answer.headers["location"] == f"/api/trips/{trip['id']}"
    assert trip["id"].startswith("kessandry-september-")
    assert client.get("/api/trips").json() == [
        {
            "id": trip["id"],
            "name": "Kessandry, September",
            "starts_on": "2026-09-12",
            "ends_on": "2026-09-15",
            "seq": 1,
        }
    ]
    assert client.get(f"/api/trips/{trip['id']}").json() == trip
    assert trip["plan"]["place"]["high_point_m"] == 4586
    assert {hint["field"] for hint in trip["hints"]} == {"hold_points"}


def test_everything_becomes_a_journal_entry_in_the_name_of_the_reader(client, full):
    stored = entries(client, full)
    assert [entry.kind for entry in stored] == ["trip-planned"] + ["member-set"] * 4 + ["ropes-set"]
    assert {entry.actor.name for entry in stored} == {"Maren"}
    assert {entry.happened_at for entry in stored} == {client.app.state.clock.now()}
    assert fold(stored).split == ()


def test_a_trip_of_another_outfit_is_not_there(client, trip):
    read_as(client.app, OFFICE.__class__(outfit="other", staff="x", name="X", role="office", everywhere=True))
    assert client.get("/api/trips").json() == []
    assert client.get(f"/api/trips/{trip}").status_code == 404
    assert client.put(f"/api/trips/{trip}/plan", json={"seen_seq": 1, "plan": plan_json()}).status_code == 404
    assert client.get(f"/api/trips/{trip}/roster.csv").status_code == 404


def test_a_bad_plan_names_each_field_and_stores_nothing(client, trip):
    plan = plan_json(name="", ends_on="2026-09-31")
    plan["place"]["latitude_deg"] = 141
    plan["place"]["time_zone"] = "Mars/Olympus"
    answer = client.put(f"/api/trips/{trip}/plan", json={"seen_seq": 1, "plan": plan})
    assert answer.status_code == 422
    fields = {field["field"]: field for field in answer.json()["fields"]}
    assert set(fields) == {"plan.name", "plan.ends_on", "plan.place.latitude_deg", "plan.place.time_zone"}
    assert all(field["remedy"] for field in fields.values())
    assert seq(client, trip) == 1


def test_an_unknown_edition_is_refused(client, trip):
    answer = client.put(
        f"/api/trips/{trip}/plan", json={"seen_seq": 1, "plan": plan_json(edition_id="nothing-2")}
    )
    assert answer.status_code == 422
    assert answer.json()["fields"][0]["field"] == "edition_id"
    assert seq(client, trip) == 1


def test_an_unchanged_plan_writes_nothing(client, trip):
    answer = client.put(f"/api/trips/{trip}/plan", json={"seen_seq": 1, "plan": plan_json()})
    assert answer.json() == {"trip": trip, "seq": 1, "changed": False, "also_changed": []}


def test_two_people_change_different_parts_and_both_stand(client, trip):
    client.put(f"/api/trips/{trip}/plan", json={"seen_seq": 1, "plan": stage_json("walk-in", effort="hard")})
    read_as(client.app, OFFICE)
    answer = client.put(f"/api/trips/{trip}/plan", json={"seen_seq": 1, "plan": plan_json(reserve_days=1)})
    assert answer.json() == {"trip": trip, "seq": 3, "changed": True, "also_changed": ["stages.walk-in"]}
    plan = client.get(f"/api/trips/{trip}").json()["plan"]
    assert (plan["reserve_days"], plan["stages"][0]["effort"]) == (1, "hard")
    assert client.get(f"/api/trips/{trip}").json()["split"] == []


def test_two_people_change_the_same_and_the_second_chooses(client, trip):
    client.put(
        f"/api/trips/{trip}/plan", json={"seen_seq": 1, "plan": plan_json(usual_freezing_level_m=4200)}
    )
    read_as(client.app, OFFICE)
    wanted = plan_json(usual_freezing_level_m=3900, reserve_days=2)
    answer = client.put(f"/api/trips/{trip}/plan", json={"seen_seq": 1, "plan": wanted})
    assert answer.status_code == 409
    problem = answer.json()
    assert (problem["code"], problem["by"], problem["seq"]) == ("changed-meanwhile", "Maren", 2)
    assert problem["changes"] == [
        {"field": "usual_freezing_level_m", "before": 4100.0, "yours": 3900.0, "theirs": 4200.0}
    ]
    assert seq(client, trip) == 2
    again = client.put(f"/api/trips/{trip}/plan", json={"seen_seq": 2, "plan": wanted})
    assert again.status_code == 200
    assert client.get(f"/api/trips/{trip}").json()["plan"]["usual_freezing_level_m"] == 3900


def test_parts_that_do_not_go_together_are_a_conflict_as_well(client, trip):
    earlier = stage_json("to-shelf", starts_at="2026-09-12T11:00:00Z", ends_at="2026-09-12T12:00:00Z")
    assert client.put(f"/api/trips/{trip}/plan", json={"seen_seq": 1, "plan": earlier}).status_code == 200
    later = stage_json("walk-in", ends_at="2026-09-12T11:30:00Z")
    answer = client.put(f"/api/trips/{trip}/plan", json={"seen_seq": 1, "plan": later})
    assert answer.status_code == 409
    assert {"stages.walk-in.ends_at", "stages.to-shelf.starts_at"} <= {
        c["field"] for c in answer.json()["changes"]
    }
    assert seq(client, trip) == 2


def test_a_number_beyond_the_journal_is_refused(client, trip):
    answer = client.put(f"/api/trips/{trip}/plan", json={"seen_seq": 9, "plan": plan_json(reserve_days=1)})
    assert answer.status_code == 422
    assert answer.json()["fields"][0]["field"] == "seen_seq"


def test_a_plan_is_moved_by_days(client, trip):
    answer = client.post(f"/api/trips/{trip}/plan/shift", json={"seen_seq": 1, "days": 2})
    assert answer.json()["changed"] is True
    plan = client.get(f"/api/trips/{trip}").json()["plan"]
    assert (plan["starts_on"], plan["stages"][0]["starts_at"]) == ("2026-09-14", "2026-09-14T05:30:00Z")


def test_hold_points_are_suggested(client, trip):
    holds = client.get(f"/api/trips/{trip}/plan/hold-points").json()["hold_points"]
    assert [hold["kind"] for hold in holds] == ["base", "glacier-edge", "high-camp", "summit-start"]


# -- people


def test_a_person_joins_changes_and_leaves(client, trip):
    new = client.post(f"/api/trips/{trip}/members", json={"seen_seq": 1, "profile": ANA})
    assert new.status_code == 201
    member = new.json()["member"]
    body = {"seen_seq": 2, "profile": ANA | {"sizes": {"boot": "39"}}}
    assert client.put(f"/api/trips/{trip}/members/{member}", json=body).json()["seq"] == 3
    gone = client.delete(f"/api/trips/{trip}/members/{member}", params={"seen_seq": 3, "reason": "ill"})
    assert gone.json()["changed"] is True
    assert client.get(f"/api/trips/{trip}").json()["members"] == []
    again = client.delete(f"/api/trips/{trip}/members/{member}", params={"seen_seq": 3})
    assert (again.status_code, again.json()["changed"]) == (200, False)


def test_leaving_somebody_unknown_is_not_found(client, trip):
    assert client.delete(f"/api/trips/{trip}/members/nobody", params={"seen_seq": 1}).status_code == 404


def test_two_people_change_one_person_in_different_fields(client, full):
    profile = client.get(f"/api/trips/{full}").json()["members"][1]["profile"]
    assert profile["name"] == "Aroha Tūmanako"
    one = {"seen_seq": 6, "profile": profile | {"sizes": profile["sizes"] | {"boot": "40"}}}
    two = {
        "seen_seq": 6,
        "profile": profile | {"contact": "+64 20", "sizes": profile["sizes"] | {"waist": "80"}},
    }
    assert client.put(f"/api/trips/{full}/members/m-3", json=one).status_code == 200
    assert client.put(f"/api/trips/{full}/members/m-3", json=two).json()["also_changed"] == ["sizes.boot"]
    merged = client.get(f"/api/trips/{full}").json()["members"][1]["profile"]
    assert merged["sizes"] == {"boot": "40", "head": "56 cm", "waist": "80"}
    assert merged["contact"] == "+64 20"


def test_two_people_change_one_field_of_one_person(client, full):
    for role, expected in (("assistant", 200), ("lead", 409)):
        body = {"seen_seq": 6, "profile": {**PEOPLE["m-3"].model_dump(mode="json"), "role": role}}
        answer = client.put(f"/api/trips/{full}/members/m-3", json=body)
        assert answer.status_code == expected
    assert answer.json()["changes"] == [
        {"field": "role", "before": "climber", "yours": "lead", "theirs": "assistant"}
    ]


def test_a_person_who_left_meanwhile_is_not_brought_back_unasked(client, full):
    client.delete(f"/api/trips/{full}/members/m-4", params={"seen_seq": 6})
    body = {"seen_seq": 6, "profile": ANA}
    answer = client.put(f"/api/trips/{full}/members/m-4", json=body)
    assert answer.status_code == 409
    assert answer.json()["changes"][0]["theirs"] is None
    assert client.put(f"/api/trips/{full}/members/m-4", json=body | {"seen_seq": 7}).status_code == 200


def test_a_person_changed_meanwhile_is_not_taken_off_unseen(client, full):
    body = {"seen_seq": 6, "profile": {**PEOPLE["m-4"].model_dump(mode="json"), "about": "back with us"}}
    client.put(f"/api/trips/{full}/members/m-4", json=body)
    answer = client.delete(f"/api/trips/{full}/members/m-4", params={"seen_seq": 6})
    assert answer.status_code == 409
    assert answer.json()["changes"][0]["field"] == "about"


def test_control_characters_are_refused_by_field(client, trip):
    answer = client.post(
        f"/api/trips/{trip}/members", json={"seen_seq": 1, "profile": ANA | {"about": "a\x07b"}}
    )
    assert answer.status_code == 422
    assert answer.json()["fields"][0]["field"] == "profile.about"


# -- ropes


def test_people_are_listed_in_rope_order_and_those_without_last(client, full):
    client.post(f"/api/trips/{full}/members", json={"seen_seq": 6, "profile": ANA})
    roster = client.get(f"/api/trips/{full}").json()
    assert [member["profile"]["name"] for member in roster["members"]] == [
        "Maren Okafor-Lindqvist",
        "Aroha Tūmanako",
        "Tashi Wangdrak",
        "Moon Hye-jin",
        "Ana Duarte",
    ]
    assert roster["without_rope"] == [roster["members"][-1]["id"]]


def test_ropes_that_cannot_be_are_refused(client, full):
    def refused(*ropes) -> list[str]:
        answer = client.put(f"/api/trips/{full}/ropes", json={"seen_seq": 6, "ropes": list(ropes)})
        assert answer.status_code == 422
        return [field["message"] for field in answer.json()["fields"]]

    one = {"id": "r-1", "name": "Rope 1", "members": ["m-1"]}
    assert refused(one, {"id": "r-2", "name": "rope 1", "members": []}) == ["Another rope has this name."]
    assert refused(one, {"id": "r-2", "name": "Rope 2", "members": ["m-1"]}) == ["Already on another rope."]
    assert refused(one | {"members": ["m-9"]}) == ["Nobody of this id is on the trip."]


def test_two_people_move_different_ropes(client, full):
    ropes = client.get(f"/api/trips/{full}").json()["ropes"]
    mine = [ropes[0] | {"members": ["m-3", "m-1"]}, ropes[1]]
    theirs = [ropes[0], ropes[1] | {"members": ["m-4", "m-2"]}]
    assert client.put(f"/api/trips/{full}/ropes", json={"seen_seq": 6, "ropes": mine}).status_code == 200
    assert client.put(f"/api/trips/{full}/ropes", json={"seen_seq": 6, "ropes": theirs}).status_code == 200
    found = client.get(f"/api/trips/{full}").json()["ropes"]
    assert [rope["members"] for rope in found] == [["m-3", "m-1"], ["m-4", "m-2"]]


def test_two_people_put_one_person_on_two_ropes(client, full):
    client.post(f"/api/trips/{full}/members", json={"seen_seq": 6, "profile": ANA})
    roster = client.get(f"/api/trips/{full}").json()
    (ana,), ropes = roster["without_rope"], roster["ropes"]
    first = [ropes[0] | {"members": [*ropes[0]["members"], ana]}, ropes[1]]
    second = [ropes[0], ropes[1] | {"members": [*ropes[1]["members"], ana]}]
    assert client.put(f"/api/trips/{full}/ropes", json={"seen_seq": 7, "ropes": first}).status_code == 200
    assert client.put(f"/api/trips/{full}/ropes", json={"seen_seq": 7, "ropes": second}).status_code == 409
    assert client.get(f"/api/trips/{full}").json()["ropes"] == first


def test_two_people_change_the_order_of_one_rope(client, full):
    ropes = client.get(f"/api/trips/{full}").json()["ropes"]
    client.put(
        f"/api/trips/{full}/ropes",
        json={"seen_seq": 6, "ropes": [ropes[0] | {"members": ["m-3", "m-1"]}, ropes[1]]},
    )
    answer = client.put(
        f"/api/trips/{full}/ropes", json={"seen_seq": 6, "ropes": [ropes[0] | {"name": "Red"}, ropes[1]]}
    )
    assert answer.status_code == 409
    assert {change["field"] for change in answer.json()["changes"]} == {"ropes.r-1.name", "ropes.r-1.members"}


@pytest.mark.one_database
def test_the_description_of_the_api_names_every_shape(client):
    paths = client.get("/api/openapi.json").json()["paths"]
    for path in ("/api/trips", "/api/trips/{trip}", "/api/trips/{trip}/members/{member}"):
        for method, operation in paths[path].items():
            content = operation["responses"]["201" if method == "post" else "200"]["content"][
                "application/json"
            ]
            assert "$ref" in content["schema"] or content["schema"]["type"] == "array"
    assert set(paths["/api/trips/{trip}/roster/preview"]["post"]["requestBody"]["content"]) == {
        "multipart/form-data"
    }


def test_a_guide_who_opens_a_trip_is_assigned_to_it_and_others_are_not(client):
    guide = Reader(outfit="quillstone", staff="maren", name="Maren", role="lead")
    account = {"id": "maren", "outfit_id": "quillstone", "name": "Maren", "email": "maren@example.org"}
    with client.app.state.db.writing() as work:
        work.execute(insert(table(Staff)), account | {"role": "lead", "active": True, "created_at": A_DAY})
    read_as(client.app, guide)
    trip = client.post("/api/trips", json={"plan": plan_json()}).json()["id"]
    assert [found["id"] for found in client.get("/api/trips").json()] == [trip]
    assert client.get(f"/api/trips/{trip}").status_code == 200
    read_as(client.app, replace(guide, staff="tashi"))
    assert client.get("/api/trips").json() == []
    assert client.get(f"/api/trips/{trip}").status_code == 404
