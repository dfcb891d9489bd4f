"""Personal links under attack: only whose link it is, only while it works, and nothing else of anyone."""

from datetime import timedelta

import pytest
from sqlalchemy import text

from api.access.tokens import hash_of
from tests.photos import pictures
from tests.selfreport.conftest import House
from tests.selfreport.people import ANA, BO, LEAD_GUIDE, OFFICE, OTHER_TRIP, STRANGER, TRIP, read_as

PAGE = {"accept": "text/html", "accept-language": "en"}
HAVE = {"plan": "have"}
SWAP = {"hx-request": "true"}


def closed(answer) -> str:
    assert answer.status_code == 404
    assert answer.headers["cache-control"] == "no-store"
    assert answer.headers["referrer-policy"] == "no-referrer"
    assert answer.headers["x-robots-tag"] == "noindex, nofollow"
    return answer.text


def test_the_token_is_kept_as_a_hash_only(house: House, link: str) -> None:
    token = link.removeprefix("/r/")
    assert len(token) >= 43  # 256 bits in base64
    with house.app.state.db.reading() as conn:
        rows = conn.execute(text("SELECT * FROM selfreport_link")).mappings().all()
        assert [row["token_hash"] for row in rows] == [hash_of(token)]
        assert token not in str(rows)
    assert token not in house.client.get(f"/api/trips/{TRIP}/self-report-links").text
    assert token not in house.client.get(f"/trips/{TRIP}/invitations", headers=PAGE).text
    assert token not in str([entry.model_dump_json() for entry in house.entries()])


def test_the_page_is_private(house: House, link: str) -> None:
    answer = house.client.get(link, headers=PAGE)
    assert answer.status_code == 200
    assert answer.headers["cache-control"] == "no-store"
    assert answer.headers["referrer-policy"] == "no-referrer"
    assert answer.headers["x-robots-tag"] == "noindex, nofollow"
    assert '<meta name="robots" content="noindex, nofollow">' in answer.text


@pytest.mark.one_database
def test_a_link_that_does_not_work_answers_in_one_way(house: House, link: str) -> None:
    """Unknown, revoked, run out, malformed: the same page, byte for byte."""
    unknown = closed(house.client.get("/r/" + "A" * 43, headers=PAGE))
    revoked = house.link(BO)
    house.link(BO)  # a new link ends the one before it
    assert closed(house.client.get(revoked, headers=PAGE)) == unknown
    rows = house.client.get(f"/api/trips/{TRIP}/self-report-links").json()
    row = next(row for row in rows if row["member"] == ANA)
    house.client.post(f"/api/trips/{TRIP}/self-report-links/{row['id']}/revoke")
    assert closed(house.client.get(link, headers=PAGE)) == unknown
    late = house.link(LEAD_GUIDE)
    house.clock.set(house.clock.now() + timedelta(days=60))
    assert closed(house.client.get(late, headers=PAGE)) == unknown
    for odd in ("x", "%00", "A" * 5000, "%F0%9F%8E%BF", "' or 1=1 --"):
        assert closed(house.client.get(f"/r/{odd}", headers=PAGE)) == unknown


@pytest.mark.one_database
def test_every_address_under_a_dead_link_is_closed_and_stores_nothing(house: House, link: str) -> None:
    row = house.client.get(f"/api/trips/{TRIP}/self-report-links").json()[0]
    house.client.post(f"/api/trips/{TRIP}/self-report-links/{row['id']}/revoke")
    before = house.entries()
    photo = {"photo": ("p.jpg", pictures.jpeg(), "image/jpeg")}
    for answer in (
        house.client.post(f"{link}/items/boots", data=HAVE),
        house.client.post(f"{link}/items/boots", data=HAVE, headers=SWAP),
        house.client.post(f"{link}/items/boots/photos", files=photo),
        house.client.post(f"{link}/nights", data={}),
        house.client.get(f"{link}/photos/{'0' * 64}"),
    ):
        closed(answer)
    assert house.entries() == before
    with house.app.state.db.reading() as conn:
        assert conn.execute(text("SELECT count(*) FROM photo")).scalar_one() == 0


@pytest.mark.one_database
def test_someone_who_left_the_trip_is_shut_out(house: House) -> None:
    link = house.link(BO)
    assert house.client.get(link, headers=PAGE).status_code == 200
    seen = len(house.entries())
    assert house.client.delete(f"/api/trips/{TRIP}/members/{BO}?seen_seq={seen}").status_code == 200
    assert BO not in house.picture().members
    closed(house.client.get(link, headers=PAGE))


@pytest.mark.one_database
def test_it_shows_nothing_of_anyone_else(house: House, link: str) -> None:
    bo = house.link(BO)
    house.client.post(f"{bo}/items/boots", data={"plan": "have"})
    house.client.post(f"{bo}/nights", data={"night-2026-09-10": "1234"})
    mine = house.client.get(link, headers=PAGE).text
    for other in ("Bo Example", "Maren Example", "1234", BO + '"', TRIP):
        assert other not in mine
    assert "Ana Example" in mine


@pytest.mark.one_database
def test_photos_of_others_cannot_be_seen_by_it(house: House, link: str) -> None:
    bo = house.link(BO)
    house.client.post(f"{bo}/items/boots/photos", files={"photo": ("p.jpg", pictures.jpeg(), "image/jpeg")})
    [photo] = house.client.get(f"/api/trips/{TRIP}/photos").json()
    assert house.client.get(f"{bo}/photos/{photo['photo']}").headers["content-type"] == "image/jpeg"
    closed(house.client.get(f"{link}/photos/{photo['photo']}", headers=PAGE))


@pytest.mark.one_database
def test_only_things_of_ones_own_list_can_be_told(house: House, link: str) -> None:
    before = house.entries()
    for thing in ("guide-licence", "rope", "first-aid-kit", "no-such-thing", "..%2fnights", "boots%00"):
        assert house.client.post(f"{link}/items/{thing}", data=HAVE, headers=PAGE).status_code == 404
    # Whatever else a form carries, the entry is about the person whose link it is.
    sent = HAVE | {"member": BO, "subject": BO, "trip": OTHER_TRIP, "known": "tried", "role": "lead"}
    assert house.client.post(f"{link}/items/boots", data=sent).status_code == 303
    written = house.entries()[len(before) :]
    assert {(entry.trip, entry.actor.id, entry.actor.role) for entry in written} == {(TRIP, ANA, "climber")}
    assert {getattr(e.body, "subject", None) or e.body.member for e in written} == {ANA}
    assert not any(entry.trip == TRIP for entry in house.entries(OTHER_TRIP))


@pytest.mark.one_database
def test_a_link_is_no_sign_in(house: House, link: str) -> None:
    """It opens nothing but what is under it."""
    house.app.dependency_overrides.clear()
    house.client.cookies.clear()
    token = link.removeprefix("/r/")
    for headers in ({}, {"authorization": f"Bearer {token}"}, {"cookie": f"rimaye={token}"}):
        assert house.client.get(f"/api/trips/{TRIP}/board", headers=headers).status_code == 401
        assert house.client.get(f"/api/trips/{TRIP}/photos", headers=headers).status_code == 401
    assert house.client.get(link, headers=PAGE).status_code == 200


@pytest.mark.one_database
def test_guessing_is_limited_and_does_not_shut_out_who_has_a_link(house: House, link: str) -> None:
    answers = [house.client.get(f"/r/{n:043d}", headers=PAGE) for n in range(80)]
    codes = [answer.status_code for answer in answers]
    assert codes[:60] == [404] * 60
    assert set(codes[60:]) == {429}
    limited = answers[-1]
    assert int(limited.headers["retry-after"]) > 0
    assert limited.headers["referrer-policy"] == "no-referrer"
    assert "Too much was asked" in limited.text
    house.clock.advance(timedelta(seconds=6))
    assert house.client.get(link, headers=PAGE).status_code == 200
    # A link that works is no guess, so looking with it can go on.
    assert {house.client.get(link, headers=PAGE).status_code for _ in range(5)} == {200}


@pytest.mark.one_database
def test_one_link_can_send_only_so_much(house: House, link: str) -> None:
    codes = [house.client.post(f"{link}/items/whistle", data=HAVE).status_code for _ in range(70)]
    assert codes[0] == 303
    assert codes[-1] == 429
    assert house.client.post(f"{house.link(BO)}/items/whistle", data=HAVE).status_code == 303


@pytest.mark.one_database
def test_links_are_made_by_those_who_may_see_the_trip(house: House, link: str) -> None:
    at = f"/api/trips/{TRIP}/self-report-links"
    read_as(house.app, OFFICE)
    assert house.client.post(at, json={"members": [ANA]}).status_code == 201
    assert house.client.post(at, json={"members": ["nobody"]}).status_code == 422
    assert house.client.post(at, json={"members": []}).status_code == 422
    assert house.client.post(f"{at}/no-such/revoke").status_code == 404
    read_as(house.app, STRANGER)
    assert house.client.get(at).status_code == 404
    assert house.client.post(at, json={"members": [ANA]}).status_code == 404


@pytest.mark.one_database
def test_a_link_of_one_trip_cannot_be_revoked_through_another(house: House, link: str) -> None:
    row = house.client.get(f"/api/trips/{TRIP}/self-report-links").json()[0]
    at = f"/api/trips/{OTHER_TRIP}/self-report-links/{row['id']}/revoke"
    assert house.client.post(at).status_code == 404
    assert house.client.get(link, headers=PAGE).status_code == 200


@pytest.mark.one_database
def test_it_runs_out_after_the_trip(house: House, link: str) -> None:
    row = house.client.get(f"/api/trips/{TRIP}/self-report-links").json()[0]
    assert row["expires_at"].startswith("2026-09-29T18:00")  # end of the 29th in UTC+6
    house.clock.set(house.clock.now().replace(month=10))
    over = house.client.post(f"/api/trips/{TRIP}/self-report-links", json={"members": [ANA]})
    assert over.status_code == 409
