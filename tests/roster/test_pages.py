"""The pages of the roster: complete HTML that works by links and forms alone."""

import io
import re

import pytest

from tests.support.pages import html_errors

from .browsing import HTML, Fields, form_of, get, person_id, post, roster, second_rope, words_of
from .conftest import OFFICE, read_as
from .people import PEOPLE, sheet
from .plans import plan_json
from .test_files import workbook

pytestmark = pytest.mark.one_database

TRIP = {
    "name": "Kessandry, September",
    "starts_on": "2026-09-12",
    "ends_on": "2026-09-15",
    "place.name": "Veskarin massif",
    "place.latitude_deg": "41,86",
    "place.longitude_deg": "77.92",
    "place.time_zone": "Asia/Bishkek",
    "place.base_name": "Harrow Station",
    "place.base_elevation_m": "2640",
    "place.high_point_name": "Kessandry",
    "place.high_point_m": "15046",
    "place.high_point_m_unit": "ft",
    "usual_freezing_level_m": "4,100 m",
}


# -- trips


def test_a_trip_is_opened_from_a_form(client):
    answer = post(client, "/new-trip", form_of(get(client, "/new-trip"), "/new-trip"), **TRIP)
    assert answer.status_code == 303, answer.text
    trip = re.fullmatch(r"/trips/([a-z0-9-]+)/plan\?saved=1", answer.headers["location"])[1]
    plan = roster(client, trip)["plan"]
    assert plan["place"]["latitude_deg"] == 41.86
    assert plan["place"]["high_point_m"] == 4586.0
    assert plan["usual_freezing_level_m"] == 4100.0
    assert "Saved." in words_of(get(client, answer.headers["location"]))


def test_a_bad_trip_comes_back_with_everything_typed_and_every_fault(client):
    bad = TRIP | {
        "name": "",
        "place.time_zone": "Mars",
        "place.base_elevation_m": "high",
        "reserve_days": "1.5",
    }
    answer = post(client, "/new-trip", form_of(get(client, "/new-trip"), "/new-trip"), **bad)
    assert answer.status_code == 422
    fields = form_of(answer.text, "/new-trip")
    assert fields["place.base_elevation_m"] == ["high"]
    assert fields["place.high_point_m_unit"] == ["ft"]
    text = words_of(answer.text)
    assert "“high” cannot be read" in text
    assert "This is not a whole number." in text
    assert client.get("/api/trips").json() == []
    bad |= {"place.base_elevation_m": "2640", "reserve_days": "1"}
    text = words_of(post(client, "/new-trip", {}, seen_seq="0", **bad).text)
    assert "not an IANA time zone; write it like Asia/Almaty" in text


def test_saving_a_form_as_it_stands_changes_nothing(client, manned):
    member = person_id(client, manned, "Aroha Tūmanako")
    for path in ("plan/trip", "plan/stages/top", f"roster/people/{member}", "plan/holds"):
        for units in ("metric", "us"):
            client.cookies.set("units", units)
            action = f"/trips/{manned}/{path}"
            answer = post(client, action, form_of(get(client, action), action))
            assert answer.status_code == 303, words_of(answer.text)
            assert "saved=same" in answer.headers["location"], (path, units)
    client.cookies.delete("units")


# -- plan


def test_the_plan_shows_stages_in_local_time_and_what_looks_odd(client, trip):
    text = words_of(get(client, f"/trips/{trip}/plan"))
    assert "Mon 14 Sep, 01:30 to Mon 14 Sep, 16:00" in text
    assert "by Kessandry top, 4,586 m" in text
    assert "There is no hold point of the kind glacier edge." in text


def test_a_stage_is_added_changed_and_taken_out(client, trip):
    action = f"/trips/{trip}/plan/stages/new"
    fields = form_of(get(client, action), action)
    assert fields["from_name"] == ["Harrow Station"]
    answer = post(
        client,
        action,
        fields,
        name="Out to Tallow Bridge",
        starts_at="2026-09-15T13:00",
        ends_at="2026-09-15T17:00",
        to_name="Tallow Bridge",
        to_m="2500 ft",
        terrain=["rockfall", "remote"],
        **{
            "night.sleeps": [],
            "via.0.name": "Bend",
            "via.0.elevation_m": "900",
            "via.0.at": "2026-09-15T15:00",
            "via.0.water": "stream",
            "distance_m": "6,5",
            "distance_m_unit": "km",
        },
    )
    assert answer.status_code == 303, words_of(answer.text)
    stage = roster(client, trip)["plan"]["stages"][-1]
    assert (stage["id"], stage["to_m"], stage["night"]) == ("out-to-tallow-bridge", 762.0, None)
    assert stage["starts_at"] == "2026-09-15T07:00:00Z"
    assert stage["via"][0]["elevation_m"] == 900.0
    assert (stage["distance_m"], stage["via"][0]["water"]) == (6500.0, "stream")
    shown = words_of(get(client, f"/trips/{trip}/plan"))
    assert "6.5 km" in shown
    assert "(a stream to fill up at)" in shown
    assert "no distance, so grade and pace are assumed" in shown
    action = f"/trips/{trip}/plan/stages/out-to-tallow-bridge"
    post(client, action, form_of(get(client, action), action), do="remove")
    assert roster(client, trip)["plan"] == {**plan_json(), "stages": roster(client, trip)["plan"]["stages"]}
    assert len(roster(client, trip)["plan"]["stages"]) == 4


def test_a_night_without_details_is_where_the_stage_ends(client, trip):
    action = f"/trips/{trip}/plan/stages/walk-out"
    fields = form_of(get(client, action), action)
    post(client, action, fields, **{"night.sleeps": "yes", "night.place": "", "night.elevation_m": ""})
    night = roster(client, trip)["plan"]["stages"][-1]["night"]
    assert (night["place"], night["elevation_m"], night["shelter"]) == ("Harrow Station", 2640.0, "tent")


def test_a_time_the_clocks_skip_is_refused_on_the_page(client):
    zurich = TRIP | {"place.time_zone": "Europe/Zurich", "starts_on": "2026-03-28", "ends_on": "2026-03-30"}
    made = post(client, "/new-trip", form_of(get(client, "/new-trip"), "/new-trip"), **zurich)
    trip = made.headers["location"].split("/")[2]
    action = f"/trips/{trip}/plan/stages/new"
    answer = post(
        client,
        action,
        form_of(get(client, action), action),
        name="Top",
        starts_at="2026-03-29T02:30",
        ends_at="2026-03-29T09:00",
        to_name="Top",
        to_m="4586",
    )
    assert answer.status_code == 422
    assert "02:30 on 29 March 2026 does not exist in Europe/Zurich" in words_of(answer.text)
    assert "Write 01:30 or 03:30" in words_of(answer.text)
    assert form_of(answer.text, action)["starts_at"] == ["2026-03-29T02:30"]


def test_overlapping_stages_are_refused(client, trip):
    action = f"/trips/{trip}/plan/stages/walk-in"
    answer = post(client, action, form_of(get(client, action), action), ends_at="2026-09-13T09:00")
    assert answer.status_code == 422
    assert "stages must follow one another without overlap" in words_of(answer.text)


def test_hold_points_from_the_stages_are_shown_first_and_stored_when_saved(client, trip):
    action = f"/trips/{trip}/plan/holds"
    fields = form_of(get(client, f"{action}?suggest=1"), action)
    assert roster(client, trip)["plan"]["hold_points"] == []
    answer = post(client, action, fields)
    assert answer.status_code == 303, words_of(answer.text)
    holds = roster(client, trip)["plan"]["hold_points"]
    assert [hold["kind"] for hold in holds] == ["base", "glacier-edge", "high-camp", "summit-start"]
    fields = form_of(get(client, action), action)
    post(client, action, fields, **{"hold.1.kind": "", "hold.3.at": "2026-09-14T01:00"})
    holds = roster(client, trip)["plan"]["hold_points"]
    assert [hold["id"] for hold in holds] == ["base", "high-camp", "summit-start"]
    assert holds[-1]["at"] == "2026-09-13T19:00:00Z"


def test_every_fault_of_the_hold_points_is_named_by_row(client, trip):
    action = f"/trips/{trip}/plan/holds"
    fields = form_of(get(client, f"{action}?suggest=1"), action)
    answer = post(
        client, action, fields, **{"hold.0.name": "", "hold.2.elevation_m": "up", "hold.1.at": "soon"}
    )
    assert answer.status_code == 422
    for name in ("hold.0.name", "hold.2.elevation_m", "hold.1.at"):
        assert f'href="#{name}"' in answer.text


def test_the_plan_is_moved(client, trip):
    action = f"/trips/{trip}/plan/shift"
    fields = form_of(get(client, f"/trips/{trip}/plan"), action)
    assert post(client, action, fields, days="-1").status_code == 303
    assert roster(client, trip)["plan"]["starts_on"] == "2026-09-11"
    assert post(client, action, fields, days="a week").status_code == 422


# -- people


def test_a_person_is_added_with_sizes_and_rope_and_twice_sent_is_once(client, manned):
    page = get(client, f"/trips/{manned}/roster/people/new")
    action = next(where for where, _ in Fields(page).forms if "/people/m-" in where)
    fields = form_of(page, action)
    assert fields["size.0.what"] == ["boot"]
    rope = second_rope(client, manned)
    for _ in range(2):
        answer = post(client, action, fields, name="Ana Duarte", rope=rope, **{"size.0.is": "39.5"})
        assert answer.status_code == 303, words_of(answer.text)
    found = [m for m in roster(client, manned)["members"] if m["profile"]["name"] == "Ana Duarte"]
    assert [m["profile"]["sizes"] for m in found] == [{"boot": "39.5"}]
    assert roster(client, manned)["ropes"][1]["members"][-1] == found[0]["id"]


def test_a_person_with_faults_comes_back(client, trip):
    page = get(client, f"/trips/{trip}/roster/people/new")
    action = next(where for where, _ in Fields(page).forms if "/people/m-" in where)
    sizes = {"size.0.is": "39", "size.1.what": "Boot", "size.1.is": "40", "size.2.what": "", "size.2.is": "x"}
    answer = post(client, action, form_of(page, action), name="Ana", **sizes)
    assert answer.status_code == 422
    text = words_of(answer.text)
    assert "This size is given twice." in text
    assert "A size is given for nothing." in text
    assert form_of(answer.text, action)["size.1.is"] == ["40"]
    answer = post(client, action, form_of(page, action), name=" ", **{"size.0.is": "9" * 41})
    assert 'href="#size.0.is"' in answer.text
    assert roster(client, trip)["members"] == []


def test_a_person_leaves_and_somebody_unknown_is_not_found(client, manned):
    member = person_id(client, manned, "Moon Hye-jin")
    page = get(client, f"/trips/{manned}/roster/people/{member}")
    action = f"/trips/{manned}/roster/people/{member}/leave"
    assert post(client, action, form_of(page, action), reason="missed the flight").status_code == 303
    assert "Moon Hye-jin" not in get(client, f"/trips/{manned}/roster")
    assert client.get(f"/trips/{manned}/roster/people/{member}", headers=HTML).status_code == 404


def test_names_are_escaped(client, trip):
    profile = {"name": "<script>alert(1)</script>", "role": "climber", "about": '"><img src=x>'}
    client.post(f"/api/trips/{trip}/members", json={"seen_seq": 1, "profile": profile})
    member = roster(client, trip)["members"][0]["id"]
    for path in ("roster", "roster/ropes", f"roster/people/{member}"):
        text = get(client, f"/trips/{trip}/{path}")
        assert "<script>alert" not in text
        assert "<img" not in text


def test_ropes_are_changed_by_buttons(client, manned):
    action = f"/trips/{manned}/roster/ropes"

    def press(**fields):
        now = {"seen_seq": [str(roster(client, manned)["seq"])]}
        answer = post(client, action, now, **fields)
        assert answer.status_code == 303, words_of(answer.text)

    aroha = person_id(client, manned, "Aroha Tūmanako")
    press(member=aroha, do="up")
    assert roster(client, manned)["ropes"][0]["members"][0] == aroha
    press(do="add", name="Rope 3")
    three = roster(client, manned)["ropes"][2]["id"]
    press(member=aroha, do="move", rope=three)
    press(do="rename", rope=three, name="Green rope")
    assert roster(client, manned)["ropes"][2] == {"id": three, "name": "Green rope", "members": [aroha]}
    press(do="remove", rope=three)
    assert roster(client, manned)["without_rope"] == [aroha]
    answer = post(client, action, {"seen_seq": [str(roster(client, manned)["seq"])]}, do="add", name="rope 1")
    assert answer.status_code == 422
    assert "Another rope has this name." in words_of(answer.text)
    assert post(client, action, {"seen_seq": ["1"]}, do="dance").status_code == 422


# -- files


def upload(client, trip, content, name="roster.csv"):
    files = {"file": (name, io.BytesIO(content))}
    return client.post(f"/trips/{trip}/roster/file", files=files, headers=HTML)


def test_a_half_good_file_is_previewed_corrected_and_taken_over(client, trip):
    content = sheet("name,role,rope", "Ana Duarte,lead guide,1", "Ben Aldous,captain,1", "Cai Wren,client,2")
    shown = upload(client, trip, content)
    assert shown.status_code == 200
    text = words_of(shown.text)
    assert "2 new, 0 changed, 0 as they are, 1 cannot be used." in text
    assert "Row 3: Ben Aldous role This role is not known." in text
    assert roster(client, trip)["members"] == []
    action = f"/trips/{trip}/roster/file"
    fields = form_of(shown.text, action)
    assert fields["cell.3.1"] == ["captain"]
    better = post(client, action, fields, **{"cell.3.1": "assistant guide"})
    assert "3 new, 0 changed, 0 as they are, 0 cannot be used." in words_of(better.text)
    done = post(client, f"{action}/confirm", form_of(better.text, f"{action}/confirm"))
    assert done.headers["location"] == f"/trips/{trip}/roster?saved=1"
    assert [m["profile"]["role"] for m in roster(client, trip)["members"]] == ["lead", "assistant", "climber"]


def test_good_rows_can_be_taken_first_and_the_rest_corrected_after(client, trip):
    content = sheet(
        "Title,,", "name,role,", "Ana Duarte,lead guide,", "Ben Aldous,captain,", "Cai Wren,client,"
    )
    shown = upload(client, trip, content)
    action = f"/trips/{trip}/roster/file"
    rest = post(client, f"{action}/confirm", form_of(shown.text, f"{action}/confirm"))
    text = words_of(rest.text)
    assert "2 people added, 0 changed. The rows below were left out." in text
    assert "Row 4: Ben Aldous" in text
    assert len(roster(client, trip)["members"]) == 2
    better = post(client, action, form_of(rest.text, action), **{"cell.4.1": "climber"})
    assert "1 new, 0 changed, 0 as they are, 0 cannot be used." in words_of(better.text)
    post(client, f"{action}/confirm", form_of(better.text, f"{action}/confirm"))
    assert len(roster(client, trip)["members"]) == 3


def test_a_preview_that_is_no_longer_true_is_shown_anew(client, manned):
    shown = upload(client, manned, sheet("name,role", "Aroha Tūmanako,assistant"))
    member = person_id(client, manned, "Aroha Tūmanako")
    profile = {**PEOPLE["m-3"].model_dump(mode="json"), "role": "lead"}
    client.put(
        f"/api/trips/{manned}/members/{member}",
        json={"seen_seq": roster(client, manned)["seq"], "profile": profile},
    )
    action = f"/trips/{manned}/roster/file/confirm"
    answer = post(client, action, form_of(shown.text, action))
    assert answer.status_code == 409
    assert "role: lead becomes assistant" in words_of(answer.text)
    assert post(client, action, form_of(answer.text, action)).status_code == 303


def test_a_formula_cell_can_be_typed_over(client, trip):
    shown = upload(client, trip, workbook([["name", "language"], ["Ana", '="e"&"n"']]), "r.xlsx")
    action = f"/trips/{trip}/roster/file"
    fields = form_of(shown.text, action)
    unchanged = post(client, action, fields)
    assert "1 cannot be used" in words_of(unchanged.text)
    better = post(client, action, fields, **{"cell.2.1": "en"})
    assert "1 new, 0 changed, 0 as they are, 0 cannot be used." in words_of(better.text)


@pytest.mark.parametrize("content", [b"", b"PK\x03\x04junk", b"\x00\x01\x02", b"x\n" * 1_000_000])
def test_a_hostile_file_is_refused_on_the_page(client, trip, content):
    answer = upload(client, trip, content)
    assert answer.status_code == 422
    assert "This file cannot be read" in words_of(answer.text) or "No file" in words_of(answer.text)


def test_a_lost_table_is_refused(client, trip):
    answer = post(client, f"/trips/{trip}/roster/file/confirm", {}, table='{"rows": 3}', fingerprint="x")
    assert answer.status_code == 422
    assert "Choose the file again." in words_of(answer.text)


# -- every page


def test_pages_are_complete_and_ids_stand_once(client, manned):
    member = person_id(client, manned, "Aroha Tūmanako")
    paths = ["/new-trip"] + [
        f"/trips/{manned}/{page}"
        for page in ("plan", "plan/trip", "plan/stages/top", "plan/stages/new", "plan/holds?suggest=1")
    ]
    paths += [
        f"/trips/{manned}/{page}"
        for page in ("roster", f"roster/people/{member}", "roster/people/new", "roster/ropes", "roster/file")
    ]
    texts = {path: get(client, path) for path in paths}
    texts["preview"] = upload(
        client, manned, sheet("name,role", "Ana,captain", "Ben,client", "Moon Hye-jin,lead")
    ).text
    named = {re.sub(r"[^a-z]+", "-", path): text for path, text in texts.items()}
    assert html_errors(named) == []
    for path, text in texts.items():
        ids = re.findall(r'\sid="([^"]+)"', text)
        assert len(ids) == len(set(ids)), path
        assert text.count("<h1") == 1, path
        assert set(re.findall(r'<label for="([^"]+)"', text)) <= set(ids), path
        described = {
            part for group in re.findall(r'aria-describedby="([^"]+)"', text) for part in group.split()
        }
        assert described <= set(ids), path
        assert " onclick=" not in text, path


def test_an_assistant_reads_but_is_offered_no_changes(client, manned):
    read_as(
        client.app,
        OFFICE.__class__(outfit="quillstone", staff="t", name="T", role="assistant", everywhere=True),
    )
    assert "Add a person" not in get(client, f"/trips/{manned}/roster")
    assert "Change dates" not in get(client, f"/trips/{manned}/plan")
    assert client.get(f"/trips/{manned}/roster/ropes", headers=HTML).status_code == 403
