"""Two people at the same pages: nothing is overwritten unseen, on either database."""

from .browsing import form_of, get, person_id, post, roster, second_rope, words_of
from .conftest import OFFICE, read_as


def test_two_editors_of_one_stage_see_both_versions_and_choose(client, trip):
    action = f"/trips/{trip}/plan/stages/walk-in"
    fields = form_of(get(client, action), action)
    assert post(client, action, fields, effort="hard").status_code == 303
    read_as(client.app, OFFICE)
    answer = post(client, action, fields, effort="easy", to_m="3250")
    assert answer.status_code == 409
    text = words_of(answer.text)
    assert "Maren changed this after you opened it" in text
    assert "walk-in: effort Theirs: hard Yours: easy" in text
    assert roster(client, trip)["plan"]["stages"][0]["effort"] == "hard"
    again = form_of(answer.text, action)
    assert (again["effort"], again["to_m"]) == (["easy"], ["3250"])
    assert post(client, action, again).status_code == 303
    stage = roster(client, trip)["plan"]["stages"][0]
    assert (stage["effort"], stage["to_m"]) == ("easy", 3250.0)


def test_two_editors_of_different_stages_both_stand(client, trip):
    one, two = (f"/trips/{trip}/plan/stages/{stage}" for stage in ("walk-in", "top"))
    first, second = form_of(get(client, one), one), form_of(get(client, two), two)
    post(client, one, first, effort="hard")
    answer = post(client, two, second, effort="moderate")
    assert answer.headers["location"].endswith("?saved=merged")
    assert [stage["effort"] for stage in roster(client, trip)["plan"]["stages"]] == [
        "hard",
        "moderate",
        "moderate",
        "moderate",
    ]
    assert "What others changed in between was kept" in words_of(get(client, answer.headers["location"]))


def test_two_editors_of_the_ropes_see_both_and_choose(client, manned):
    action = f"/trips/{manned}/roster/ropes"
    fields = form_of(get(client, action), action)
    fields["member"] = [person_id(client, manned, "Maren Okafor-Lindqvist")]
    assert post(client, action, fields, do="down").status_code == 303
    read_as(client.app, OFFICE)
    answer = post(client, action, fields, do="move", rope=second_rope(client, manned))
    assert answer.status_code == 409, words_of(answer.text)
    text = words_of(answer.text)
    assert "Theirs, as they are now Rope 1: Aroha Tūmanako, Maren Okafor-Lindqvist" in text
    assert "Yours Rope 1: Aroha Tūmanako Rope 2: Tashi Wangdrak, Moon Hye-jin, Maren Okafor-Lindqvist" in text
    mine = form_of(answer.text, action)
    assert post(client, action, mine, do="whole").status_code == 303
    names = {member["id"]: member["profile"]["name"] for member in roster(client, manned)["members"]}
    assert [names[m] for m in roster(client, manned)["ropes"][0]["members"]] == ["Aroha Tūmanako"]
