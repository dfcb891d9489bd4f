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
