"""One-time links: set-up, invitations, lost passwords."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import text
from structlog.testing import capture_logs
from typer.testing import CliRunner

from api import cli
from api.access import service
from api.access.service import LINK_LASTS
from api.clock import FixedClock
from api.logging import RequestRecord
from api.settings import get_settings
from tests.access.house import A_PAGE, PASSWORD, House, email_of, staff_id
from tests.support.client import IsolatedTestClient

NEW = {"name": "Ines Keller", "email": "Ines@North-Ridge.example", "role": "assistant"}
CHOSEN = {"password": PASSWORD, "again": PASSWORD}


def invite(house: House, **changes: str) -> str:
    """The path of an invitation made on the staff page."""
    page = house.client("admin").post("/staff", data=NEW | changes, headers=A_PAGE)
    assert page.status_code == 200, page.text
    found = re.search(r'href="http://[^"/]+(/join/[\w-]+)"', page.text)
    assert found
    return found[1]


def test_an_invitation_is_a_link_and_a_picture_and_lets_someone_in_once(house: House) -> None:
    link = invite(house)
    guest = house.client()
    assert "Ines Keller, this makes you assistant guide here." in guest.get(link, headers=A_PAGE).text
    answer = guest.post(link, data=CHOSEN)
    assert (answer.status_code, answer.headers["location"]) == (303, "/")
    assert guest.get("/api/me").json() | {"actions": []} == {
        "id": "ines-keller",
        "name": "Ines Keller",
        "role": "assistant",
        "outfit": "north-ridge",
        "actions": [],
    }
    assert house.client().get(link).status_code == 404
    assert house.client().post(link, data=CHOSEN).status_code == 404
    form = {"email": "ines@north-ridge.example", "password": PASSWORD}
    assert house.client().post("/sign-in", data=form).status_code == 303
    assert [what for _, what, _ in house.log()] == [
        "signed in",
        "invited",
        "link used",
        "signed in",
        "signed in",
    ]


def test_the_picture_is_plain_svg_and_holds_the_link(house: House) -> None:
    from web.pages.access_staff import qr_picture

    page = house.client("admin").post("/staff", data=NEW, headers=A_PAGE).text
    link = re.search(r'href="(http://[^"]+/join/[^"]+)"', page)
    assert link
    picture = qr_picture(link[1])
    assert picture in page
    assert picture.startswith("<svg")
    assert not re.search(r"style=|<script|<style|onload", picture)


def test_looking_does_not_spend_a_link(house: House) -> None:
    link = invite(house)
    assert [house.client().get(link).status_code for _ in range(3)] == [200] * 3
    assert house.client().post(link, data=CHOSEN).status_code == 303


def test_a_password_that_will_not_do_does_not_spend_it_either(house: House) -> None:
    link = invite(house)
    guest = house.client()
    weak = guest.post(link, data={"password": "ines keller 1", "again": "ines keller 1"}, headers=A_PAGE)
    assert weak.status_code == 422
    assert "tried first" in weak.text
    unlike = guest.post(link, data={"password": PASSWORD, "again": PASSWORD + "s"}, headers=A_PAGE)
    assert "The two are not the same." in unlike.text
    assert guest.post(link, data=CHOSEN).status_code == 303


@pytest.mark.parametrize("ending", ["old", "revoked", "replaced", "kept out"])
def test_a_link_that_no_longer_counts_says_what_to_do(house: House, clock: FixedClock, ending: str) -> None:
    link, admin = invite(house), house.client("admin")
    if ending == "old":
        clock.advance(LINK_LASTS["invitation"])
    elif ending == "revoked":
        assert admin.post("/staff/ines-keller/links/revoke").status_code == 303
    elif ending == "replaced":
        assert admin.post("/staff/ines-keller/link").status_code == 200
    else:
        assert admin.post("/staff/ines-keller/active", data={"active": "false"}).status_code == 303
    answer = house.client().get(link, headers=A_PAGE)
    assert answer.status_code == 404
    assert "Ask whoever sent it for a new one." in answer.text
    assert house.client().post(link, data=CHOSEN).status_code == 404


def test_only_a_hash_of_it_is_kept(house: House) -> None:
    token = invite(house).rpartition("/")[2]
    assert len(token) >= 43
    with house.db.reading() as conn:
        rows = conn.execute(text("SELECT * FROM access_link")).fetchall()
        log = conn.execute(text("SELECT * FROM staff_log")).fetchall()
    assert token not in str(rows) + str(log)


def test_it_is_not_written_into_the_request_log(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    link = invite(house)
    monkeypatch.setattr(request_record(house), "_access_log", True)
    with capture_logs() as lines:
        house.client().get(link)
    assert [line["path"] for line in lines if line["event"] == "request"] == ["/join/{token}"]
    assert link.rpartition("/")[2] not in str(lines)


def request_record(house: House) -> RequestRecord:
    """The middleware that writes the request log."""
    layer: Any = house.app.middleware_stack
    while not isinstance(layer, RequestRecord):
        layer = layer.app
    return layer


def test_a_new_link_for_a_lost_password_ends_what_was_open(house: House) -> None:
    house.give_password("lead")
    thief = house.client("lead")
    page = house.client("admin").post(f"/staff/{staff_id('lead')}/link", headers=A_PAGE).text
    link = re.search(r'href="http://[^"/]+(/join/[\w-]+)"', page)
    assert link
    assert house.client().post(link[1], data=CHOSEN).status_code == 303
    assert thief.get("/api/me").status_code == 401


def test_an_address_is_given_once_whatever_its_case(house: House) -> None:
    answer = house.client("admin").post(
        "/staff", data=NEW | {"email": email_of("lead").upper()}, headers=A_PAGE
    )
    assert answer.status_code == 409
    assert "has an account already" in answer.text
    assert "Ines Keller" in answer.text, "what was typed is kept"


@pytest.mark.parametrize(
    ("field", "value"),
    [
        *(("email", value) for value in ("nobody", "a@b", "a b@c.example", "<i>@c.example")),
        *(("name", value) for value in (" ", "a\x07b", "x" * 121)),
        ("role", "king"),
    ],
)
def test_what_cannot_be_used_is_named_with_a_remedy(house: House, field: str, value: str) -> None:
    answer = house.client("admin").post("/staff", data=NEW | {field: value}, headers=A_PAGE)
    assert answer.status_code == 422
    assert f'href="#{field}"' in answer.text


def test_ids_are_made_from_names_and_given_once(house: House) -> None:
    invite(house)
    invite(house, email="other@north-ridge.example")
    invite(house, email="third@north-ridge.example", name="Šárka Ødegård")
    invite(house, email="fourth@north-ridge.example", name="登山者")
    ids = {row["id"] for row in house.client("admin").get("/api/staff").json()}
    assert {"ines-keller", "ines-keller-2", "sarka-degard", "staff"} <= ids


# The command


@pytest.fixture
def environment(sqlite_url: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("RIMAYE_DATABASE_URL", sqlite_url)
    monkeypatch.setenv("RIMAYE_BASE_URL", "http://localhost:8123/")
    get_settings.cache_clear()
    yield  # type: ignore[misc]
    get_settings.cache_clear()


SETUP = ["setup", "--email", "ada@ridge.example", "--name", "Ada Egger", "--outfit-name", "The Ridge"]


@pytest.mark.usefixtures("environment")
class TestSetup:
    def run(self, *arguments: str, code: int = 0) -> str:
        ran = CliRunner().invoke(cli.app, list(arguments))
        assert ran.exit_code == code, ran.output
        return ran.output

    def test_it_makes_the_outfit_and_a_link_that_lets_the_first_one_in(self, sqlite_url: str) -> None:
        from api.main import create_app
        from api.settings import Settings

        told = self.run(*SETUP)
        link = re.search(r"http://localhost:8123(/join/[\w-]+)\n", told)
        assert link
        assert re.search(r"Calls are signed with key [0-9a-f]{16}; ", told), "made with the outfit"
        app = create_app(Settings(database_url=sqlite_url))
        with IsolatedTestClient(app, follow_redirects=False) as client:
            assert client.post(link[1], data=CHOSEN).status_code == 303
            me = client.get("/api/me").json()
        assert (me["id"], me["role"], me["outfit"]) == ("ada-egger", "admin", "the-ridge")

    def test_a_second_time_it_says_what_to_do_instead(self) -> None:
        self.run(*SETUP)
        again = self.run(*SETUP, code=1)
        assert "has an administrator already" in again
        assert "rimaye staff link" in again

    def test_a_new_link_can_be_had_at_the_machine(self) -> None:
        first = self.run(*SETUP)
        second = self.run("staff", "link", "ada@ridge.example")
        assert "/join/" in second
        assert first.split("/join/")[1] != second.split("/join/")[1]
        assert "rimaye staff list" in self.run("staff", "link", "bob@ridge.example", code=1)
        assert "ada-egger: Ada Egger, admin, ada@ridge.example" in self.run("staff", "list")

    def test_what_cannot_be_used_is_told(self) -> None:
        arguments = [*SETUP[:2], "no address", *SETUP[3:]]
        assert "Write it like ada@outfit.example." in self.run(*arguments, code=1)


def test_before_set_up_the_sign_in_page_says_how_to_begin(app: object) -> None:
    with IsolatedTestClient(app, follow_redirects=False) as client:  # type: ignore[arg-type]
        assert "rimaye setup" in client.get("/sign-in", headers=A_PAGE).text


def test_a_setup_link_outlives_its_day_no_longer(house: House, clock: FixedClock) -> None:
    with house.db.writing() as work:
        made = service.set_up(
            work, outfit="third", outfit_name="Third", name="Ada", email="ada@third.example", now=house.now
        )
    clock.advance(LINK_LASTS["set-up"])
    assert house.client().get(f"/join/{made.token}").status_code == 404
