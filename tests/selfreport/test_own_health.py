"""A person's own health notes behind their link: read, written, put right, taken out, agreed to."""

import json
import re

from tests.selfreport.conftest import ANA, TRIP, House


def test_a_person_writes_sees_and_puts_right_their_own(house: House, link: str) -> None:
    client, at = house.client, f"{link}/health"
    empty = client.get(at)
    assert "Nothing." in empty.text
    assert empty.headers["cache-control"] == "no-store"
    client.post(f"{at}/consent", data={"given": "yes"})
    assert "You have agreed." in client.get(at).text
    sent = {
        "kind": "symptom-score",
        "headache": "2",
        "fatigue": "2",
        "gastrointestinal": "0",
        "dizziness": "0",
    }
    assert client.post(f"{at}/notes", data=sent).status_code in (200, 303)
    shown = client.get(at).text
    assert "Score 4 with headache, mild" in shown
    (note,) = re.findall(r"\?corrects=([0-9a-f-]{36})#symptom-score", shown)
    page = client.get(at, params={"corrects": note}).text
    assert 'id="puts-right"' in page
    assert page.count(f'name="corrects" value="{note}"') == 4
    client.post(f"{at}/notes", data={**sent, "headache": "1", "fatigue": "1", "corrects": note})
    shown = client.get(at).text
    assert "Put right by a later note." in shown
    assert "Score 2, below the published threshold" in shown


def test_a_copy_of_everything_says_who_read_it(house: House, link: str) -> None:
    client, at = house.client, f"{link}/health"
    client.post(f"{at}/notes", data={"kind": "medication-said", "said": "half a tablet"})
    client.get(at)
    taken = client.get(f"{at}/export.json")
    assert taken.headers["cache-control"] == "no-store"
    found = json.loads(taken.text)
    assert (found["trip"], found["member"]) == (TRIP, ANA)
    assert found["notes"][0]["content"]["said"] == "half a tablet"
    assert {line["did"] for line in found["read_by"]} == {"read", "exported"}
    assert {line["reader"] for line in found["read_by"]} == {ANA}


def test_what_cannot_be_kept_comes_back_with_what_was_typed(house: House, link: str) -> None:
    client, at = house.client, f"{link}/health"
    sent = {"kind": "symptom-score", "headache": "2", "hours_since_gain": "soon"}
    answer = client.post(f"{at}/notes", data=sent)
    assert answer.status_code == 422
    assert 'value="soon"' in answer.text
    assert "Nothing." in client.get(at).text


def test_a_link_that_does_not_work_shows_nothing(house: House) -> None:
    for path in ("/r/none/health", "/r/none/health/export.json"):
        answer = house.client.get(path)
        assert answer.status_code == 404
        assert "does not work any more" in answer.text
