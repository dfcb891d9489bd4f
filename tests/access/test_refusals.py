"""What was refused stands in the staff log: who and what, without secrets, and never a flood."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from api.access.limits import LIMITS
from api.access.refusals import AGAIN_AFTER, BURST, EVERY_S, Seldom
from api.clock import FixedClock
from tests.access.house import A_PAGE, House, staff_id

START = datetime(2026, 7, 14, tzinfo=UTC)


def refused(house: House) -> list[tuple[str | None, str, str]]:
    return [line for line in house.log() if line[1] in ("refused", "slowed down")]


def test_a_refusal_names_who_and_what_once_an_hour(house: House, clock: FixedClock) -> None:
    assistant = house.client("assistant")
    line = (staff_id("assistant"), "refused", "GET /api/staff-log")
    for _ in range(5):
        assert assistant.get("/api/staff-log").status_code == 403
    assert refused(house) == [line]
    clock.advance(AGAIN_AFTER)
    assistant.get("/api/staff-log")
    assert refused(house) == [line, line]
    page = house.client("admin").get("/staff/log", headers=A_PAGE).text
    assert "GET /api/staff-log" in page
    assert "<strong>refused</strong> by The assistant" in page


def test_a_link_that_was_tried_too_often_is_logged_without_its_secret(house: House) -> None:
    stranger = house.client()
    for number in range(LIMITS["link"].burst + 3):
        stranger.get(f"/join/secret-{number}", headers=A_PAGE)
    assert refused(house) == [(None, "slowed down", "GET /join/{token}")]


def test_a_write_from_another_site_is_logged(house: House) -> None:
    headers = {"origin": "https://elsewhere.example", "sec-fetch-site": "cross-site"}
    assert house.client("lead").post("/account/devices/end", headers=headers).status_code == 403
    assert refused(house) == [(None, "refused", "POST a page of another site")]


def test_many_different_refusals_are_bounded_too() -> None:
    seldom = Seldom()
    assert sum(seldom.take((str(who), 403, "GET /x"), START) for who in range(10 * BURST)) == BURST
    later = START + timedelta(seconds=EVERY_S)
    assert [seldom.take((f"late {who}", 403, "GET /x"), later) for who in range(3)] == [True, False, False]
