"""The check by forms alone, as a phone without scripts uses it."""

from __future__ import annotations

import hashlib
import re
from datetime import timedelta
from typing import Any

import pytest
from fastapi import FastAPI

from api.clock import FixedClock
from api.journal.kinds import GearState, Known, Sighting, Withdrawn
from tests.handson.yard import READER_COOKIE, TRIP, stored
from tests.photos import pictures
from tests.support.client import IsolatedTestClient
from tests.support.pages import html_errors

pytestmark = pytest.mark.one_database

BASE = f"/trips/{TRIP}/hands-on"


def text_of(page: str) -> str:
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", page.partition("<main")[2]))


def tap(client: IsolatedTestClient, path: str, **fields: str) -> str:
    """Press a button; answers with the address one is led to."""
    answer = client.post(f"{BASE}{path}", data=fields, follow_redirects=False)
    assert answer.status_code == 303, answer.text
    return str(answer.headers["location"]).removeprefix(BASE)


def last(app: FastAPI) -> Any:
    return stored(app.state.db)[-1]


def test_one_tap_keeps_a_record_and_leads_to_the_next_thing(yard: IsolatedTestClient, app: FastAPI) -> None:
    assert tap(yard, "/of/aroha", item="boots", do="seen") == "/of/aroha?item=crampons"
    body = last(app).body
    assert isinstance(body, Sighting)
    assert (body.subject, body.requirement, body.known, body.state) == (
        "aroha",
        "boots",
        Known.SEEN,
        GearState.FITS,
    )
    shown = text_of(yard.get(f"{BASE}/of/aroha?item=boots").text)
    assert "seen, fits – Maren Okafor" in shown
    assert "5 of 6 to look at" in shown


@pytest.mark.parametrize(
    ("do", "known", "state"),
    [
        ("tried", Known.TRIED, GearState.FITS),
        ("unfit", Known.SEEN, GearState.UNFIT),
        ("absent", Known.SEEN, GearState.ABSENT),
    ],
)
def test_each_button_says_what_it_says(
    yard: IsolatedTestClient, app: FastAPI, do: str, known: Known, state: GearState
) -> None:
    tap(yard, "/of/aroha", item="harness", do=do)
    assert (last(app).body.known, last(app).body.state) == (known, state)


def test_questions_follow_and_numbers_go_by_steps(yard: IsolatedTestClient, app: FastAPI) -> None:
    ahead = tap(yard, "/of/aroha", item="headlamp", do="seen")
    assert ahead == "/of/aroha?item=headlamp&ask=on"
    page = yard.get(BASE + ahead).text
    assert "How full is the battery?" in page
    assert re.findall(r"ask=charge&amp;value=(\d+)", page) == ["55", "75", "85", "105"]
    page = yard.get(f"{BASE}/of/aroha?item=headlamp&ask=charge&value=75").text
    assert 'value="answer:75"' in page
    tap(yard, "/of/aroha", item="headlamp", question="charge", do="answer:75")
    assert last(app).body.answers == {"charge": 75.0}
    shown = text_of(yard.get(f"{BASE}/of/aroha?item=headlamp").text)
    assert "Stop before base: The battery is too low." in shown


def test_a_look_by_another_does_not_undo_that_it_was_tried(yard: IsolatedTestClient, app: FastAPI) -> None:
    tap(yard, "/of/aroha", item="crampons", do="tried")
    tried = last(app)
    yard.cookies.set(READER_COOKIE, "tashi")
    tap(yard, "/of/aroha", item="crampons", do="seen")
    assert last(app).after == ()
    assert "5 of 6 to look at" in text_of(yard.get(f"{BASE}/of/aroha").text)
    tap(yard, "/of/aroha", item="crampons", do="unfit")
    assert tried.id in last(app).after


def test_undo_is_an_entry_and_only_ones_own_and_only_for_minutes(
    yard: IsolatedTestClient, app: FastAPI, clock: FixedClock
) -> None:
    tap(yard, "/of/aroha", item="boots", do="absent")
    mine = last(app)
    yard.cookies.set(READER_COOKIE, "tashi")
    assert yard.post(f"{BASE}/undo", data={"do": "undo"}).status_code == 409
    yard.cookies.set(READER_COOKIE, "maren")
    clock.advance(timedelta(minutes=9))
    assert tap(yard, "/undo", do="undo") == "/of/aroha?item=boots"
    assert last(app).body == Withdrawn(entry=mine.id, reason="taken back")
    tap(yard, "/of/aroha", item="boots", do="absent")
    clock.advance(timedelta(minutes=11))
    assert yard.post(f"{BASE}/undo", data={"do": "undo"}).status_code == 409


def test_calling_out_across_a_rope(yard: IsolatedTestClient, app: FastAPI) -> None:
    before = len(stored(app.state.db))
    assert tap(yard, "/call/rope-1", item="boots", do="absent:samuel") == "/call/rope-1?item=boots"
    tap(yard, "/call/rope-1", item="boots", do="rest")
    bodies = [entry.body for entry in stored(app.state.db)[before:]]
    assert [(body.subject, body.state.value) for body in bodies] == [
        ("samuel", "absent"),
        ("maren", "fits"),
        ("aroha", "fits"),
        ("yusuf", "fits"),
    ]


def test_more_about_a_thing(yard: IsolatedTestClient, app: FastAPI) -> None:
    answer = yard.post(f"{BASE}/of/aroha", data={"item": "parka", "do": "remark", "remark": "zip"})
    assert answer.status_code == 409
    tap(yard, "/of/aroha", item="parka", do="seen")
    tap(yard, "/of/aroha", item="parka", do="remark", remark=" zip sticks ")
    tap(yard, "/of/aroha", item="parka", do="stand-in:two-layers")
    tap(yard, "/of/aroha", item="parka", do="count:2")
    body = last(app).body
    assert (body.remark, body.stand_in, body.count) == ("zip sticks", "two-layers", 2)


def test_a_photo_by_a_form(yard: IsolatedTestClient, app: FastAPI) -> None:
    file = pictures.jpeg(3000, 2000)
    before = yard.get(f"{BASE}/of/aroha?item=parka&more=1").text
    assert "Say first how it is; then a photo can be added." in before

    def send(content: bytes = file) -> Any:
        files = {"photo": ("photo.jpg", content, "image/jpeg")}
        return yard.post(f"{BASE}/photo/aroha", data={"item": "parka"}, files=files, follow_redirects=False)

    assert send().status_code == 409
    assert yard.get(f"/api/trips/{TRIP}/photos").json() == []
    tap(yard, "/of/aroha", item="parka", do="unfit")
    assert send(b"no picture").status_code == 422
    assert send().status_code == 303
    body = last(app).body
    assert (body.photo, body.state.value) == (hashlib.sha256(file).hexdigest(), "unfit")
    assert yard.get(f"/api/trips/{TRIP}/photos").json()[0]["photo"] == body.photo
    shown = yard.get(f"{BASE}/of/aroha?item=parka&more=1").text
    assert f'href="/api/trips/{TRIP}/photos/{body.photo}"' in shown
    assert "with a photo" in shown


def test_what_others_have_done_about_a_gap_is_said(
    yard: IsolatedTestClient, app: FastAPI, clock: FixedClock
) -> None:
    tap(yard, "/of/aroha", item="parka", do="unfit")
    tap(yard, "/of/aroha", item="boots", do="absent")
    flags = f"/api/trips/{TRIP}/flags"
    until = (clock.now() + timedelta(hours=2)).isoformat()
    assert yard.post(f"{flags}/aroha.boots/take", json={"until": until}).status_code == 200
    accepted = yard.post(f"{flags}/aroha.parka/accept", json={"reason": "A thin one lies over it."})
    assert accepted.status_code == 200, accepted.text
    assert "Accepted by Maren Okafor." in text_of(yard.get(f"{BASE}/of/aroha?item=parka").text)
    assert "Maren Okafor sees to it until" in text_of(yard.get(f"{BASE}/of/aroha?item=boots").text)
    sent = yard.get(f"/api/trips/{TRIP}/hands-on").json()["flags"]
    assert {id_: flag["state"] for id_, flag in sent.items()} == {
        "aroha.parka": "accepted",
        "aroha.boots": "taken",
    }
    clock.advance(timedelta(hours=3))
    assert "sees to it" not in yard.get(f"{BASE}/of/aroha?item=boots").text


def test_it_says_by_which_forecast_things_are_asked(yard: IsolatedTestClient) -> None:
    shown = text_of(yard.get(BASE).text)
    assert "No forecast has been received; what depends on the weather counts as asked." in shown
    assert "How ropes are made up, nights and the forecast itself are judged on the board" in shown


def test_who_is_left_and_who_is_with_whom(yard: IsolatedTestClient, app: FastAPI, clock: FixedClock) -> None:
    tap(yard, "/of/aroha", item="boots", do="seen")
    clock.advance(timedelta(seconds=90))
    tap(yard, "/of/aroha", item="harness", do="tried")
    shown = text_of(yard.get(BASE).text)
    assert "Aroha Tūmanako 4 of 6 to look at with Maren Okafor now; 2 min" in shown.replace("\xa0", " ")
    clock.advance(timedelta(minutes=6))
    assert "last Maren Okafor," in text_of(yard.get(BASE).text)


def test_the_office_sees_and_cannot_tap(yard: IsolatedTestClient) -> None:
    yard.cookies.set(READER_COOKIE, "petra")
    page = yard.get(f"{BASE}/of/aroha?item=boots").text
    assert "Seen and fine" not in page
    assert yard.post(f"{BASE}/of/aroha", data={"item": "boots", "do": "seen"}).status_code == 403


@pytest.mark.parametrize(
    ("path", "fields", "status"),
    [
        ("/of/aroha", {"item": "boots", "do": "swallowed"}, 422),
        ("/of/aroha", {"item": "nothing", "do": "seen"}, 404),
        ("/of/nobody", {"item": "boots", "do": "seen"}, 404),
        ("/of/aroha", {"item": "headlamp", "question": "charge", "do": "answer:full"}, 422),
        ("/call/rope-9", {"item": "boots", "do": "rest"}, 404),
        ("/call/rope-1", {"item": "boots", "do": "eaten:aroha"}, 422),
    ],
)
def test_what_cannot_be_meant_is_refused_and_stores_nothing(
    yard: IsolatedTestClient, app: FastAPI, path: str, fields: dict[str, str], status: int
) -> None:
    before = len(stored(app.state.db))
    tap(yard, "/of/aroha", item="headlamp", do="seen")
    assert yard.post(f"{BASE}{path}", data=fields).status_code == status
    assert len(stored(app.state.db)) == before + 1


def test_every_page_is_valid_html(yard: IsolatedTestClient) -> None:
    tap(yard, "/of/aroha", item="headlamp", do="seen")
    tap(yard, "/of/aroha", item="mitts", do="seen")
    paths = {
        "start": "",
        "look": "/of/yusuf",
        "number": "/of/aroha?item=headlamp",
        "yes-no": "/of/aroha?item=mitts",
        "more": "/of/aroha?item=parka&more=1",
        "count": "/of/aroha?item=parka&ask=count",
        "call": "/call/rope-1",
        "party": "/of/party",
    }
    assert html_errors({name: yard.get(BASE + path).text for name, path in paths.items()}) == []
