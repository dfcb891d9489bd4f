"""A thing that comes back damaged is in quarantine, by whatever way the word of it came."""

import shutil
from datetime import timedelta
from pathlib import Path

import pytest
from typer.testing import CliRunner

from api.access.current import NAMES
from api.cli import app as command
from api.clock import FixedClock
from api.db import Database
from api.ids import new_id
from api.journal import sync
from api.journal.entry import Actor, Entry
from api.journal.kinds import AnyBody, LoanHandedOut, LoanReturned, LoanTerms
from api.locker import service
from api.locker.schemas import ItemPage
from api.settings import get_settings
from tests.locker.conftest import LEAD, TRIP
from tests.support.client import IsolatedTestClient

pytestmark = pytest.mark.one_database

ITEM = "he-01"
TERMS = LoanTerms(source="locker", giver=ITEM, what="Climbing helmet", subject="p06", requirement="helmet")
OUT = LoanHandedOut(loan="loan-1", terms=TERMS)


def back(condition: str, remark: str = "cracked at the rim") -> LoanReturned:
    return LoanReturned.model_validate(
        {"loan": "loan-1", "terms": TERMS, "condition": condition, "remark": remark}
    )


@pytest.fixture
def written(lent: IsolatedTestClient, clock: FixedClock) -> "Phone":
    return Phone(lent, clock)


class Phone:
    """A phone that sends its entries raw, hours after they were written."""

    def __init__(self, client: IsolatedTestClient, clock: FixedClock) -> None:
        self.client, self.clock = client, clock

    def entry(self, body: AnyBody) -> Entry:
        now = self.clock.now()
        actor = Actor(id="lead", name=NAMES["lead"], role="lead")
        return Entry(id=new_id(now), trip=TRIP, body=body, actor=actor, device="phone", happened_at=now)

    def send(self, *bodies: AnyBody) -> None:
        entries = [self.entry(body).model_dump(mode="json") for body in bodies]
        answer = self.client.post(f"/api/trips/{TRIP}/journal", json={"entries": entries})
        assert [each["status"] for each in answer.json()["outcomes"]] == ["stored"] * len(bodies), answer.text

    def item(self) -> ItemPage:
        return ItemPage.model_validate(self.client.get(f"/api/locker/items/{ITEM}").json())


def test_sent_raw_a_damaged_thing_is_in_quarantine(written: Phone) -> None:
    used = written.item().days_used
    written.send(OUT)
    written.clock.advance(timedelta(days=2))
    written.send(back("damaged"))
    page = written.item()
    assert page.state == "quarantine"
    assert page.quarantine_reason == "Back damaged from Kessandry by the Anselt Glacier: cracked at the rim"
    assert page.days_used == used + 3
    assert [event.kind for event in page.events[:3]] == ["quarantined", "returned", "handed out"]
    assert {event.by for event in page.events[:3]} == {NAMES["lead"]}


def test_sent_raw_a_lost_thing_is_retired(written: Phone) -> None:
    written.send(OUT, back("lost", "blown away"))
    assert written.item().retired_reason == "Lost on Kessandry by the Anselt Glacier: blown away"


def test_two_phones_that_both_took_it_back_count_its_days_once(written: Phone) -> None:
    used = written.item().days_used
    written.send(OUT, back("fine"), back("damaged"))
    page = written.item()
    assert page.days_used == used + 1
    assert page.state == "quarantine", "the graver word is not lost"


def test_a_thing_that_the_locker_does_not_have_is_kept_all_the_same(written: Phone) -> None:
    strange = TERMS.model_copy(update={"giver": "no-such-thing"})
    written.send(LoanReturned(loan="loan-2", terms=strange, condition="damaged", remark="bent"))


def test_in_a_file_from_another_laptop_too(
    written: Phone, db: Database, filled_file: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    written.send(OUT, back("damaged"))
    file, other = tmp_path / "trip.jsonl", tmp_path / "other.sqlite3"
    with db.reading() as conn:
        file.write_text("\n".join(sync.export_journal(conn, TRIP)), encoding="utf-8")
    shutil.copyfile(filled_file, other)
    monkeypatch.setenv("RIMAYE_DATABASE_URL", f"sqlite:///{other}")
    get_settings.cache_clear()
    for _ in range(2):
        assert CliRunner().invoke(command, ["journal", "import", str(file)]).exit_code == 0
    get_settings.cache_clear()
    laptop = Database(f"sqlite:///{other}")
    with laptop.reading() as conn:
        page = service.one(conn, LEAD, ITEM, today=written.clock.now().date())
    laptop.close()
    assert page.state == "quarantine"
    assert [event.kind for event in page.events].count("quarantined") == 1
