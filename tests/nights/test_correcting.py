"""A guide puts a note right on the page: from the note to its form, and both stay in the record."""

import re

from api.access.current import ROLE_COOKIE
from api.db import Database
from api.main import create_app
from api.settings import Settings
from seeds import loading
from tests.nights.conftest import HER, TRIP
from tests.support.client import IsolatedTestClient

HERE = {"origin": "http://127.0.0.1"}
PERSON = f"/trips/{TRIP}/nights/people/{HER}"
NOTES = f"/trips/{TRIP}/nights/notes"


def test_from_the_note_to_its_form_and_back(database: Database, settings: Settings) -> None:
    loading.seed(database)
    with IsolatedTestClient(create_app(settings.model_copy(update={"demo": True}))) as client:
        client.cookies.set(ROLE_COOKIE, "lead", domain="127.0.0.1", path="/")
        for _ in range(3):
            client.post("/demo/clock", data={"move": "next"}, headers=HERE)
        sent = {"kind": "health-remark", "text": "Slept badly."}
        client.post(f"{PERSON}/notes", data=sent, headers=HERE)
        shown = client.get(NOTES).text
        before = re.findall(rf'href="({PERSON}\?corrects=([0-9a-f-]+))#health-remark"', shown)
        address, note = before[-1]
        form = client.get(address).text
        assert 'id="puts-right"' in form
        assert "Slept badly" not in form, "what it said is read on the notes page only, where that is kept"
        again = {"kind": "health-remark", "text": "Slept well.", "corrects": note}
        assert client.post(f"{PERSON}/notes", data=again, headers=HERE).status_code == 200
        shown = client.get(NOTES).text
        assert "Put right by a later note." in shown
        assert "Slept well." in shown
        assert note not in [found for _, found in re.findall(r"(corrects=)([0-9a-f-]+)", shown)]
        wrong = client.post(f"{PERSON}/notes", data={**again, "corrects": HER}, headers=HERE)
        assert wrong.status_code == 422
        client.cookies.set(ROLE_COOKIE, "office", domain="127.0.0.1", path="/")
        assert "corrects=" not in client.get(f"/trips/{TRIP}/nights").text
