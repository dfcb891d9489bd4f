"""Handing a link over by e-mail: sent at once, kept nowhere; without a mail server, a message to copy."""

import smtplib
from email.message import EmailMessage
from typing import Any

import pytest

from tests.selfreport.conftest import House
from tests.selfreport.people import ANA, OTHER_TRIP, TRIP

pytestmark = pytest.mark.one_database
PAGE = {"accept": "text/html"}


class MailServer:
    """Takes messages in place of a server; `refuses` makes it fail like one that is not there."""

    taken: list[EmailMessage] = []
    refuses = False

    def __init__(self, host: str, port: int, timeout: float) -> None:
        if self.refuses:
            raise OSError("no route to host")

    def __enter__(self) -> "MailServer":
        return self

    def __exit__(self, *_error: object) -> None:
        return None

    def starttls(self, context: object) -> None:
        assert context is not None

    def send_message(self, message: EmailMessage) -> None:
        self.taken.append(message)


@pytest.fixture
def mail(house: House, monkeypatch: pytest.MonkeyPatch) -> type[MailServer]:
    MailServer.taken, MailServer.refuses = [], False
    monkeypatch.setattr(smtplib, "SMTP", MailServer)
    settings = {"smtp_host": "mail.example", "mail_from": "office@quillstone.example"}
    house.app.state.settings = house.app.state.settings.model_copy(update=settings)
    return MailServer


def made(house: House, **more: str) -> tuple[str, dict[str, Any]]:
    """Where a new link is sent from, and the fields of that form."""
    answer = house.client.post(f"/trips/{TRIP}/invitations", data={"member": ANA, **more}, headers=PAGE)
    [row] = [row for row in house.client.get(f"/api/trips/{TRIP}/self-report-links").json() if row["open"]]
    token = answer.text.split("http://127.0.0.1/r/")[1][:43]
    at = f"/trips/{TRIP}/invitations/{row['id']}/send"
    return at, {"token": token, "address": "ana@mail.example", **more}


def test_without_a_mail_server_the_message_is_copied(house: House) -> None:
    answer = house.client.post(f"/trips/{TRIP}/invitations", data={"member": ANA}, headers=PAGE)
    assert "/send" not in answer.text
    assert "mailto:ana%40mail.example" in answer.text
    at, sent = made(house)
    refused = house.client.post(at, data=sent, headers=PAGE)
    assert refused.status_code == 409
    assert "E-mail is off here" in refused.text
    assert sent["token"] in refused.text, "the link can still be copied"


def test_a_link_is_mailed_in_the_persons_language_and_kept_nowhere(
    house: House, mail: type[MailServer]
) -> None:
    at, sent = made(house, reminder="yes")
    answer = house.client.post(at, data=sent, headers=PAGE)
    assert answer.headers["location"].endswith("saved=sent")
    [message] = mail.taken
    assert message["To"] == "ana@mail.example"
    assert message["Subject"].startswith("Ihre Liste für")
    assert f"/r/{sent['token']}" in message.get_content()
    assert "Noch offen:" in message.get_content()
    listed = house.client.get(f"/api/trips/{TRIP}/self-report-links").text
    assert "ana@mail.example" in listed
    assert sent["token"] not in listed
    with house.app.state.db.reading() as conn:
        assert conn.exec_driver_sql("SELECT count(*) FROM outbox").scalar_one() == 0


def test_a_server_that_does_not_take_it_is_told(house: House, mail: type[MailServer]) -> None:
    mail.refuses = True
    at, sent = made(house)
    answer = house.client.post(at, data=sent, headers=PAGE)
    assert answer.status_code == 409
    assert "The mail server did not take it" in answer.text
    assert sent["token"] in answer.text
    assert house.client.get(f"/api/trips/{TRIP}/self-report-links").json()[-1]["sent_to"] == ""


def test_addresses_and_tokens_are_checked(house: House, mail: type[MailServer]) -> None:
    at, sent = made(house)
    for odd in ("nobody", "a@b\r\nBcc: c@d.example", ""):
        assert house.client.post(at, data=sent | {"address": odd}, headers=PAGE).status_code == 422
    assert house.client.post(at, data=sent | {"token": "x" * 43}, headers=PAGE).status_code == 404
    elsewhere = at.replace(TRIP, OTHER_TRIP)
    assert house.client.post(elsewhere, data=sent, headers=PAGE).status_code == 404
    assert mail.taken == []
