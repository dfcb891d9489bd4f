"""What bodies are reckoned by, as it is typed: the distance of a stage, the efficiency of the stoves."""

import pytest

from .browsing import form_of, get, post, roster, words_of

pytestmark = pytest.mark.one_database


def test_a_distance_shorter_than_the_climb_is_refused(client, trip):
    action = f"/trips/{trip}/plan/stages/walk-in"
    answer = post(
        client, action, form_of(get(client, action), action), distance_m="0.5", distance_m_unit="km"
    )
    assert answer.status_code == 422
    assert "steeper than 45 degrees" in words_of(answer.text)


def test_a_distance_in_miles_does_not_wander(client, trip):
    client.cookies.set("units", "us")
    action = f"/trips/{trip}/plan/stages/walk-in"
    post(client, action, form_of(get(client, action), action), distance_m="2.5", distance_m_unit="mi")
    first = roster(client, trip)["plan"]["stages"][0]["distance_m"]
    assert first == 4023.4
    post(client, action, form_of(get(client, action), action), name="Walk in, again")
    assert roster(client, trip)["plan"]["stages"][0]["distance_m"] == first


def test_the_efficiency_of_the_stoves_is_kept(client, trip):
    action = f"/trips/{trip}/plan/trip"
    post(client, action, form_of(get(client, action), action), stove_efficiency="0,45")
    assert roster(client, trip)["plan"]["stove_efficiency"] == 0.45
    answer = post(client, action, form_of(get(client, action), action), stove_efficiency="45")
    assert answer.status_code == 422
    post(client, action, form_of(get(client, action), action), stove_efficiency="")
    assert "stove_efficiency" not in roster(client, trip)["plan"]


def test_distance_and_water_go_through_the_api(client, trip):
    stages = roster(client, trip)["plan"]["stages"]
    via = [{"name": "Spring", "elevation_m": 2900, "at": "2026-09-12T08:00:00Z", "water": "stream"}]
    changed = [stages[0] | {"distance_m": 4200, "via": via}, *stages[1:]]
    plan = roster(client, trip)["plan"] | {"stages": changed}
    seen = roster(client, trip)["seq"]
    answer = client.put(f"/api/trips/{trip}/plan", json={"seen_seq": seen, "plan": plan})
    assert answer.status_code == 200, answer.text
    first = roster(client, trip)["plan"]["stages"][0]
    assert (first["distance_m"], first["via"][0]["water"]) == (4200.0, "stream")
    wrong = plan | {"stages": [changed[0] | {"distance_m": 100}, *stages[1:]]}
    refused = client.put(f"/api/trips/{trip}/plan", json={"seen_seq": seen + 1, "plan": wrong})
    assert refused.status_code == 422
    assert "steeper than 45 degrees" in refused.text
