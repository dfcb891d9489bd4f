"""Reminders: for all at once, and by themselves on set days; a link works until the next is on its way."""

from __future__ import annotations

from datetime import date, timedelta
from email.message import EmailMessage
from typing import Any

import pytest

from api.errors import Conflict
from tests.selfreport.conftest import House
from tests.selfreport.people import ANA, BO, TRIP
from tests.selfreport.test_mail import PAGE, MailServer, mail
from web.reminders import mail_address, remind_due, reminder_day

__all__ = ["mail"]
pytestmark = pytest.mark.one_database


def send_due(house: House) -> list[str]:
    state: Any = house.app.state
    settings = state.settings.model_copy(update={"base_url": "https://rimaye.example"})
    return list(remind_due(state.db, settings, state.readiness))


def token_in(message: EmailMessage) -> str:
    return str(message.get_content()).split("https://rimaye.example/r/")[1].split()[0]


@pytest.mark.parametrize(
    ("today", "expected"),
    [
        (date(2026, 8, 14), None),
        (date(2026, 8, 15), date(2026, 8, 15)),
        (date(2026, 8, 28), date(2026, 8, 15)),
        (date(2026, 9, 11), date(2026, 9, 4)),
        (date(2026, 9, 12), None),
    ],
)
def test_the_day_that_counts_is_the_latest_that_has_come(today: date, expected: date | None) -> None:
    assert reminder_day(date(2026, 9, 12), (28, 14, 8), today) == expected


def test_an_address_is_found_in_how_one_is_reached() -> None:
    assert mail_address("+41 00 000 00 00, Ana <ana@mail.example>") == "ana@mail.example"
    assert mail_address("by radio") == ""


def test_without_a_mail_server_it_says_what_to_set(house: House) -> None:
    with pytest.raises(Conflict, match="RIMAYE_SMTP_HOST"):
        send_due(house)


def test_each_set_day_reminds_once_and_only_who_has_a_link(house: House, mail: type[MailServer]) -> None:
    old = house.link()
    starts_on = house.picture().trip.starts_on  # type: ignore[union-attr]
    days = (starts_on - house.clock.now().date()).days
    assert days > 14
    assert send_due(house) == [], "the link was made after the first day for reminders, or before it came"
    house.clock.advance(timedelta(days=days - 14))
    [line] = send_due(house)
    assert line == f"{TRIP}, Ana Example: reminded at ana@mail.example"
    [message] = mail.taken
    assert house.client.get(f"/r/{token_in(message)}").status_code == 200
    assert house.client.get(old).status_code == 404
    assert send_due(house) == []
    house.clock.advance(timedelta(days=5))
    assert send_due(house) == []
    house.clock.advance(timedelta(days=1))
    assert len(send_due(house)) == 1
    house.clock.advance(timedelta(days=8))
    assert send_due(house) == []


def test_when_the_mail_server_fails_the_old_link_goes_on_working(
    house: House, mail: type[MailServer]
) -> None:
    old = house.link()
    house.link(BO)
    starts_on = house.picture().trip.starts_on  # type: ignore[union-attr]
    house.clock.advance(timedelta(days=(starts_on - house.clock.now().date()).days - 14))
    mail.refuses = True
    lines = send_due(house)
    assert f"{TRIP}, Bo Example: no e-mail address is known" in lines
    assert any("the mail server did not take it" in line for line in lines)
    assert house.client.get(old).status_code == 200
    mail.refuses = False
    assert any("reminded at ana@mail.example" in line for line in send_due(house))


def test_all_reminders_are_made_and_mailed_with_one_button_each(house: House, mail: type[MailServer]) -> None:
    chase = house.client.get(f"/trips/{TRIP}/to-chase", headers=PAGE).text
    assert "Make reminders for all 3, each with a new link" in chase
    assert "28, 14 and 8 days before the trip" in chase
    made = house.client.post(
        f"/trips/{TRIP}/invitations", data={"member": [ANA, BO], "reminder": "yes"}, headers=PAGE
    ).text
    assert "Mail all 1 that have an e-mail address" in made
    tokens = [part[:43] for part in made.split('name="token" value="')[1:]]
    sent = {"token": list(dict.fromkeys(tokens)), "reminder": "yes"}
    answer = house.client.post(f"/trips/{TRIP}/invitations/send-all", data=sent, headers=PAGE)
    assert answer.status_code == 409
    assert "1 of 2 mailed. Not mailed: Bo Example, no e-mail address is known." in answer.text
    assert "Bo Example" in answer.text.partition("</h1>")[2]
    [message] = mail.taken
    assert message["To"] == "ana@mail.example"
    assert "Erinnerung" in message.get_content()
