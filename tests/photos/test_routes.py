"""Photos as staff send and see them."""

from collections.abc import Iterator
from datetime import UTC, datetime, time, timedelta

import pytest
from fastapi import FastAPI

from api.clock import FixedClock
from api.photos.erasing import erase_due
from tests.photos import pictures
from tests.selfreport.people import (
    LEAD,
    OFFICE,
    OTHER_TRIP,
    STRANGER,
    TRIP,
    WEEKS_BEFORE,
    furnish,
    read_as,
)
from tests.support.client import IsolatedTestClient

AT = f"/api/trips/{TRIP}/photos"
BOOTS = {"subject": "ana", "requirement": "boots"}


@pytest.fixture
def client(app: FastAPI, clock: FixedClock) -> Iterator[IsolatedTestClient]:
    clock.set(WEEKS_BEFORE)
    with IsolatedTestClient(app) as client:
        furnish(app)
        read_as(app, LEAD)
        yield client


def sent(client, content, at=AT, name="photo.jpg", claims="image/jpeg", **fields):
    return client.post(at, data=BOOTS | fields, files={"photo": (name, content, claims)})


def test_a_photo_is_kept_and_sent_as_a_picture_and_nothing_else(client: IsolatedTestClient) -> None:
    kept = sent(client, pictures.located_jpeg())
    assert kept.status_code == 201, kept.text
    answer = client.get(f"{AT}/{kept.json()['photo']}")
    assert answer.status_code == 200
    assert answer.headers["content-type"] == "image/jpeg"
    assert answer.headers["x-content-type-options"] == "nosniff"
    assert answer.headers["content-disposition"].startswith("inline;")
    assert answer.headers["content-security-policy"] == "default-src 'none'; sandbox"
    assert "private" in answer.headers["cache-control"]
    assert b"GPS" not in answer.content
    assert len(client.get(f"{AT}/{kept.json()['photo']}?small=true").content) < len(answer.content)


def test_the_same_photo_again_is_kept_once(client: IsolatedTestClient) -> None:
    first, second = sent(client, pictures.png()), sent(client, pictures.png())
    assert first.json()["photo"] == second.json()["photo"]
    assert len(client.get(AT).json()) == 1


@pytest.mark.one_database
def test_what_is_no_picture_is_refused_whatever_it_is_called(client: IsolatedTestClient) -> None:
    for name, content in pictures.NO_PICTURES.items():
        answer = sent(client, content)
        assert (name, answer.status_code, answer.json()["code"]) == (name, 422, "not-a-photo")
        assert answer.json()["fields"][0]["field"] == "photo"
    assert client.get(AT).json() == []


@pytest.mark.one_database
def test_a_picture_that_is_a_page_too_is_sent_as_a_picture_only(client: IsolatedTestClient) -> None:
    for content in pictures.POLYGLOTS.values():
        kept = sent(client, content, name="page.html", claims="text/html")
        answer = client.get(f"{AT}/{kept.json()['photo']}")
        assert answer.headers["content-type"] == "image/jpeg"
        assert b"<script" not in answer.content


@pytest.mark.one_database
def test_limits_are_said_and_nothing_is_stored(client: IsolatedTestClient) -> None:
    assert sent(client, pictures.bomb_png()).json()["code"] == "not-a-photo"
    large = sent(client, pictures.jpeg() + b"\x00" * 8_000_000)
    assert (large.status_code, large.json()["code"]) == (413, "too-large")
    assert "8 MB" in large.json()["detail"]
    assert client.post(AT, data=BOOTS).status_code == 422
    assert sent(client, pictures.png(), subject="nobody").json()["fields"][0]["field"] == "subject"
    assert sent(client, pictures.png(), requirement="sofa").json()["fields"][0]["field"] == "requirement"
    assert client.get(AT).json() == []


@pytest.mark.one_database
def test_only_who_may_see_the_trip_sees_its_photos(app: FastAPI, client: IsolatedTestClient) -> None:
    photo = sent(client, pictures.png()).json()["photo"]
    assert client.get(f"/api/trips/{OTHER_TRIP}/photos/{photo}").status_code == 404
    read_as(app, OFFICE)
    assert client.get(f"{AT}/{photo}").status_code == 200
    assert sent(client, pictures.png()).status_code == 201
    read_as(app, STRANGER)
    assert client.get(f"{AT}/{photo}").status_code == 404
    assert client.get(AT).status_code == 404
    assert sent(client, pictures.png()).status_code == 404


@pytest.mark.one_database
def test_no_more_than_so_many_of_one_persons_gear(app: FastAPI, client: IsolatedTestClient) -> None:
    app.state.settings = app.state.settings.model_copy(update={"photo_most_each": 2})
    assert [sent(client, pictures.png(100 + n, 100)).status_code for n in range(3)] == [201, 201, 409]
    assert sent(client, pictures.png(), subject="bo").status_code == 201


@pytest.mark.one_database
def test_one_persons_photos_are_erased_by_the_lead_and_no_other(
    app: FastAPI, client: IsolatedTestClient
) -> None:
    photo = sent(client, pictures.png()).json()["photo"]
    sent(client, pictures.jpeg(), subject="bo")
    erase = f"/trips/{TRIP}/photos/ana/erase"
    read_as(app, OFFICE)
    assert client.post(erase).status_code == 403
    read_as(app, STRANGER)
    assert client.post(erase).status_code == 404
    read_as(app, LEAD)
    assert client.post(erase, follow_redirects=False).status_code == 303
    assert client.get(f"{AT}/{photo}").status_code == 404
    assert [line["subject"] for line in client.get(AT).json()] == ["bo"]
    assert client.post(erase).status_code == 404


@pytest.mark.one_database
def test_photos_go_when_their_time_is_over(app: FastAPI, client: IsolatedTestClient) -> None:
    sent(client, pictures.png())
    with app.state.db.reading() as conn:
        plan = app.state.journal.picture(conn, LEAD.outfit, TRIP).picture.trip
    ended = datetime.combine(plan.ends_on, time(), UTC)
    for days, erased in ((9, 0), (10, 0), (11, 1), (12, 0)):
        assert erase_due(app.state.db, FixedClock(ended + timedelta(days=days)), keep_days=10) == erased
    assert client.get(AT).json() == []
