"""A person's own health notes behind their link: read, written, put right, taken out, agreed to."""

import json
import re

import pytest

from tests.selfreport.conftest import ANA, TRIP, House

IN_ENGLISH = {"lang": "en"}
"""Ana's own language is German."""


def test_a_person_writes_sees_and_puts_right_their_own(house: House, link: str) -> None:
    client, at = house.client, f"{link}/health"
    empty = client.get(at, params=IN_ENGLISH)
    assert "Nothing." in empty.text
    assert empty.headers["cache-control"] == "no-store"
    client.post(f"{at}/consent", data={"given": "yes"})
    assert "You have agreed." in client.get(at, params=IN_ENGLISH).text
    sent = {
        "kind": "symptom-score",
        "headache": "2",
        "fatigue": "2",
        "gastrointestinal": "0",
        "dizziness": "0",
    }
    assert client.post(f"{at}/notes", data=sent).status_code in (200, 303)
    shown = client.get(at, params=IN_ENGLISH).text
    assert "Score 4 with headache, mild" in shown
    (note,) = re.findall(r"&amp;corrects=([0-9a-f-]{36})#symptom-score", shown)
    page = client.get(at, params={**IN_ENGLISH, "corrects": note}).text
    assert 'id="puts-right"' in page
    assert page.count(f'name="corrects" value="{note}"') == 4
    client.post(f"{at}/notes", data={**sent, "headache": "1", "fatigue": "1", "corrects": note})
    shown = client.get(at, params=IN_ENGLISH).text
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
    assert "Nothing." in client.get(at, params=IN_ENGLISH).text


def test_a_link_that_does_not_work_shows_nothing(house: House) -> None:
    for path in ("/r/none/health", "/r/none/health/export.json"):
        answer = house.client.get(path)
        assert answer.status_code == 404
        assert "does not work any more" in answer.text


@pytest.mark.parametrize(
    ("lang", "heading", "button"),
    [
        ("de", "Wie fühlen Sie sich?", "Ich stimme zu"),
        ("es", "¿Cómo se siente?", "Doy mi consentimiento"),
        ("fr", "Comment vous sentez-vous ?", "Je suis d’accord"),
    ],
)
def test_in_the_persons_language_from_form_to_form(
    house: House, link: str, lang: str, heading: str, button: str
) -> None:
    """Its own words; what is noted stands as guides read it, marked as English."""
    client, at = house.client, f"{link}/health"
    shown = client.get(at, params={"lang": lang}).text
    assert f'<html lang="{lang}"' in shown
    assert heading in shown
    assert button in shown
    assert "How do you feel?" not in shown
    assert ">optional<" not in shown
    actions = set(re.findall(r'action="([^"]+)"', shown))
    assert actions == {f"{at}/consent?lang={lang}", f"{at}/notes?lang={lang}"}
    sent = {"kind": "symptom-score", "headache": "1", "fatigue": "1"}
    kept = client.post(f"{at}/notes?lang={lang}", data=sent, follow_redirects=True)
    assert heading in kept.text
    assert re.search(r'<div lang="en">\s*<ul class="plain notes">', kept.text)
    (right,) = re.findall(r'class="put-right" href="([^"#]+)#symptom-score"', kept.text)
    assert heading in client.get(right.replace("&amp;", "&")).text


def test_the_agreement_is_recorded_with_the_language_it_was_shown_in(house: House, link: str) -> None:
    client, at = house.client, f"{link}/health"
    shown = client.get(at, params={"lang": "de"}).text
    assert "The office sees how many there are" in shown, "the English text is there to be read as well"
    client.post(f"{at}/consent?lang=de", data={"given": "yes"})
    told = json.loads(client.get(f"{at}/export.json").text)["consent"]
    assert told["text_version"].endswith("days), shown in de")
    client.post(f"{at}/consent?lang=en", data={"given": "no"})
    told = json.loads(client.get(f"{at}/export.json").text)["consent"]
    assert told["text_version"].endswith("days)")
