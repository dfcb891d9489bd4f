"""Guessing is slowed, and a colleague is never locked out by someone else's guesses."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from api.access.limits import LIMITS, Limiter
from api.access.signing_in import DEVICE_COOKIE
from api.clock import FixedClock
from api.errors import TooMany
from tests.access.house import A_PAGE, PASSWORD, House, email_of
from tests.support.client import IsolatedTestClient


def try_to(client: IsolatedTestClient, password: str, who: str = "") -> int:
    form = {"email": who or email_of("lead"), "password": password}
    status: int = client.post("/sign-in", data=form, headers=A_PAGE).status_code
    return status


def from_address(house: House, address: str) -> IsolatedTestClient:
    return IsolatedTestClient(house.app, follow_redirects=False, client=(address, 50_000))


@pytest.mark.one_database
class TestBuckets:
    def test_a_burst_then_one_at_a_time(self) -> None:
        clock = FixedClock(datetime(2026, 7, 14, tzinfo=UTC))
        limiter = Limiter(clock)
        for _ in range(LIMITS["sign-in-pair"].burst):
            limiter.take("sign-in-pair", "a")
        with pytest.raises(TooMany) as raised:
            limiter.take("sign-in-pair", "a")
        assert raised.value.retry_after == 30
        limiter.take("sign-in-pair", "b")
        clock.advance(timedelta(seconds=30))
        limiter.take("sign-in-pair", "a")
        with pytest.raises(TooMany):
            limiter.take("sign-in-pair", "a")

    def test_waiting_never_gives_more_than_the_burst(self) -> None:
        clock = FixedClock(datetime(2026, 7, 14, tzinfo=UTC))
        limiter = Limiter(clock)
        limiter.take("sign-in-pair", "a")
        clock.advance(timedelta(days=1))
        limiter.give_back("sign-in-pair", "a")
        for _ in range(LIMITS["sign-in-pair"].burst):
            limiter.take("sign-in-pair", "a")
        with pytest.raises(TooMany):
            limiter.take("sign-in-pair", "a")

    def test_memory_is_bounded(self) -> None:
        limiter = Limiter(FixedClock(datetime(2026, 7, 14, tzinfo=UTC)), most=100)
        for number in range(1_000):
            limiter.take("sign-in-pair", str(number))
        assert len(limiter._buckets) == 100


def test_guessing_from_one_address_is_slowed_with_a_clear_answer(house: House) -> None:
    house.give_password("lead")
    client = house.client()
    assert [try_to(client, f"guess number {number}") for number in range(6)] == [401] * 5 + [429]
    answer = client.post("/sign-in", data={"email": email_of("lead"), "password": PASSWORD}, headers=A_PAGE)
    assert answer.status_code == 429
    assert int(answer.headers["retry-after"]) == 30
    assert "Wait 30 seconds and try again." in answer.text


def test_the_account_stays_open_to_its_owner_elsewhere(house: House) -> None:
    house.give_password("lead")
    for number in range(8):
        try_to(from_address(house, "192.0.2.1"), f"guess number {number}")
    assert try_to(from_address(house, "198.51.100.1"), PASSWORD) == 303


def test_guesses_from_many_addresses_do_not_lock_out_a_known_device(house: House) -> None:
    house.give_password("lead")
    phone = from_address(house, "198.51.100.1")
    assert try_to(phone, PASSWORD) == 303
    assert phone.cookies[DEVICE_COOKIE]
    phone.post("/sign-out")
    guesses = [try_to(from_address(house, f"192.0.2.{n}"), f"guess number {n}") for n in range(55)]
    assert guesses == [401] * 50 + [429] * 5
    assert try_to(from_address(house, "198.51.100.9"), PASSWORD) == 429
    assert try_to(phone, PASSWORD) == 303


def test_a_device_known_to_one_is_a_stranger_to_others(house: House) -> None:
    house.give_password("lead")
    house.give_password("admin")
    phone = from_address(house, "198.51.100.1")
    assert try_to(phone, PASSWORD) == 303
    for number in range(50):
        try_to(from_address(house, f"192.0.2.{number}"), f"guess number {number}", email_of("admin"))
    assert try_to(phone, PASSWORD, email_of("admin")) == 429


def test_signing_in_rightly_costs_nothing(house: House) -> None:
    house.give_password("lead")
    client = house.client()
    assert [try_to(client, PASSWORD) for _ in range(12)] == [303] * 12


def test_one_address_cannot_try_every_account(house: House) -> None:
    statuses = [try_to(from_address(house, "192.0.2.1"), "guess", f"a{n}@x.example") for n in range(22)]
    assert statuses == [401] * 20 + [429] * 2


def test_one_time_links_cannot_be_guessed_at_speed(house: House) -> None:
    client = house.client()
    statuses = [client.get(f"/join/guess-{number}").status_code for number in range(22)]
    assert statuses == [404] * 20 + [429] * 2
