"""Roster files over the JSON API: preview, confirm, export."""

import pytest

from .conftest import seq
from .people import PEOPLE, cells, sheet
from .plans import plan_json


def preview(client, trip, content, name="roster.csv"):
    return client.post(f"/api/trips/{trip}/roster/preview", files={"file": (name, content)})


def confirm(client, trip, shown):
    body = {"fingerprint": shown["fingerprint"], "table": shown["table"]}
    return client.post(f"/api/trips/{trip}/roster/confirm", json=body)


def test_nothing_is_imported_until_confirmed_and_bad_rows_are_left_out_and_listed(client, trip):
    content = sheet(
        "name,role,rope,order", "Ana Duarte,lead guide,1,1", "Ben Aldous,captain,1,2", "Cai Wren,,1,3"
    )
    shown = preview(client, trip, content).json()
    assert shown["counts"] == {"new": 2, "changed": 0, "same": 0, "refused": 1}
    assert shown["rows"][1]["problems"][0] == {
        "row": 3,
        "column": "role",
        "value": "captain",
        "message": "This role is not known.",
        "remedy": "Write one of: lead guide, assistant guide, climber.",
        "cell": 1,
    }
    assert seq(client, trip) == 1
    done = confirm(client, trip, shown).json()
    assert (done["added"], done["updated"], [row["row"] for row in done["left_out"]]) == (2, 0, [3])
    roster = client.get(f"/api/trips/{trip}").json()
    assert [member["profile"]["name"] for member in roster["members"]] == ["Ana Duarte", "Cai Wren"]
    assert [rope["name"] for rope in roster["ropes"]] == ["Rope 1"]


def test_confirming_twice_changes_nothing_more(client, trip):
    shown = preview(client, trip, sheet("name", "Ana Duarte")).json()
    assert confirm(client, trip, shown).status_code == 200
    second = confirm(client, trip, shown)
    assert (second.status_code, second.json()["code"]) == (409, "proposal-changed")
    assert len(client.get(f"/api/trips/{trip}").json()["members"]) == 1


def test_a_file_is_not_taken_over_when_the_trip_changed_meanwhile(client, full):
    shown = preview(client, full, sheet("name,role", "Aroha Tūmanako,assistant")).json()
    body = {"seen_seq": 6, "profile": {**PEOPLE["m-3"].model_dump(mode="json"), "role": "lead"}}
    client.put(f"/api/trips/{full}/members/m-3", json=body)
    assert confirm(client, full, shown).json()["code"] == "proposal-changed"
    assert seq(client, full) == 7


def test_a_file_goes_on_when_something_else_changed_meanwhile(client, full):
    shown = preview(client, full, sheet("name,role", "Aroha Tūmanako,assistant")).json()
    client.put(f"/api/trips/{full}/plan", json={"seen_seq": 6, "plan": plan_json(reserve_days=1)})
    assert confirm(client, full, shown).json()["updated"] == 1


def test_a_file_without_a_usable_row_is_refused_whole(client, trip):
    shown = preview(client, trip, sheet("name,role", "Ana Duarte,captain")).json()
    answer = confirm(client, trip, shown)
    assert (answer.status_code, answer.json()["code"]) == (409, "nothing-usable")
    assert answer.json()["fields"][0]["field"] == "row 2, role"
    assert seq(client, trip) == 1


@pytest.mark.parametrize("kind", ["csv", "xlsx"])
def test_an_export_reads_back_without_a_change(client, full, kind):
    answer = client.get(f"/api/trips/{full}/roster.{kind}")
    assert answer.headers["content-disposition"] == f'attachment; filename="{full}-roster.{kind}"'
    assert answer.headers["cache-control"] == "no-store"
    shown = preview(client, full, answer.content, f"roster.{kind}").json()
    assert shown["counts"] == {"new": 0, "changed": 0, "same": 4, "refused": 0}
    assert shown["ropes_change"] is False
    assert confirm(client, full, shown).json()["changed"] is False
    assert seq(client, full) == 6


def test_an_exported_csv_has_a_row_a_person(client, full):
    rows = cells(client.get(f"/api/trips/{full}/roster.csv").content)
    assert rows[0] == [
        "id",
        "name",
        "role",
        "rope",
        "order",
        "contact",
        "language",
        "about",
        "size boot",
        "size head",
    ]
    assert rows[1][:6] == ["m-1", "Maren Okafor-Lindqvist", "lead guide", "Rope 1", "1", "'+41 79 000 00 01"]


@pytest.mark.parametrize("content", [b"", b"\x00\x01\x02", b"PK\x03\x04junk", b"name\n" + b"x\n" * 1_000_000])
def test_hostile_files_are_refused_in_the_one_shape(client, trip, content):
    answer = preview(client, trip, content)
    assert answer.status_code == 422
    assert answer.headers["content-type"] == "application/problem+json"
    assert answer.json()["code"] == "unreadable-file"
    assert answer.json()["fields"][0]["field"] == "file"


def test_a_file_with_no_name_column_says_so_in_the_preview(client, trip):
    shown = preview(client, trip, sheet("who", "Ana")).json()
    assert shown["problems"][0]["message"] == "No column for names was found in the first rows."


def test_reading_a_trip_takes_few_statements_however_many_people(client, trip, query_counter):
    client.get(f"/api/trips/{trip}")
    with query_counter() as statements:
        client.get(f"/api/trips/{trip}")
    before = len(statements)
    content = sheet("name", *[f"Person {number}" for number in range(60)])
    confirm(client, trip, preview(client, trip, content).json())
    client.get(f"/api/trips/{trip}")
    with query_counter() as statements:
        assert len(client.get(f"/api/trips/{trip}").json()["members"]) == 60
    assert len(statements) == before <= 4
