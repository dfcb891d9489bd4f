"""The distance of a stage as it is typed: refused where it cannot be, kept to the metre in other units."""

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
