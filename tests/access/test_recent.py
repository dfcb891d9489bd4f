"""A phone left lying open gives nobody a lasting way in: new passkeys and tokens need a recent sign-in."""

from __future__ import annotations

from datetime import timedelta

from api.access.current import RECENT, REMEMBERED_S
from api.clock import FixedClock
from tests.access.house import A_PAGE, PASSWORD, House, email_of
from tests.support.client import IsolatedTestClient

TOKEN = {"label": "Weather reader", "role": "lead"}


def statuses(client: IsolatedTestClient) -> list[int]:
    form = {"label": "Weather reader", "role": "lead", "days": "30"}
    return [
        client.post("/api/tokens", json=TOKEN).status_code,
        client.post("/account/tokens", data=form, headers=A_PAGE).status_code,
    ]


def test_long_after_signing_in_it_is_refused_and_nothing_is_made(house: House, clock: FixedClock) -> None:
    lead = house.client("lead")
    assert statuses(lead) == [201, 200]
    clock.advance(RECENT + timedelta(seconds=1))
    assert statuses(lead) == [403, 403]
    begun = lead.post("/api/passkeys/begin", json={})
    assert (begun.status_code, begun.json()["code"]) == (403, "proof-needed")
    assert "/sign-in?again=true" in begun.json()["detail"]
    assert len(lead.get("/api/tokens").json()) == 2


def test_the_page_asks_for_it_instead_of_offering_a_form(house: House, clock: FixedClock) -> None:
    lead = house.client("lead")
    assert 'action="/account/tokens"' in lead.get("/account", headers=A_PAGE).text
    clock.advance(RECENT + timedelta(seconds=1))
    page = lead.get("/account", headers=A_PAGE).text
    assert 'action="/account/tokens"' not in page
    assert "/sign-in?again=true&amp;back=/account" in page


def test_signing_in_again_on_the_same_device_is_proof_and_leaves_one_session(
    house: House, clock: FixedClock
) -> None:
    house.give_password("lead")
    lead = house.client("lead")
    clock.advance(RECENT + timedelta(seconds=REMEMBERED_S + 1))
    assert lead.get("/sign-in", headers=A_PAGE).status_code == 303
    assert lead.get("/sign-in?again=true&back=/account", headers=A_PAGE).status_code == 200
    form = {"email": email_of("lead"), "password": PASSWORD, "back": "/account"}
    answer = lead.post("/sign-in", data=form)
    assert (answer.status_code, answer.headers["location"]) == (303, "/account")
    assert statuses(lead) == [201, 200]
    assert lead.get("/account", headers=A_PAGE).text.count("Sign out there") == 1


def test_a_session_kept_in_use_does_not_become_recent(house: House, clock: FixedClock) -> None:
    lead = house.client("lead")
    for _ in range(4):
        clock.advance(timedelta(minutes=5))
        assert lead.get("/api/me").status_code == 200
    assert statuses(lead) == [403, 403]
