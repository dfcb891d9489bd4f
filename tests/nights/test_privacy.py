"""Planted words in a whole run of the demo: no log line, page, export or message shows them to others."""

from __future__ import annotations

import logging
import re
from collections.abc import Iterator
from datetime import timedelta

import pytest
from fastapi import FastAPI
from fastapi.routing import iter_route_contexts
from sqlalchemy import inspect, text

from api.access.current import ROLE_COOKIE, ROLES, Role
from api.db import Database
from api.journal import sync
from api.journal.kinds import GearState, Known, Sighting
from api.logging import configure_logging
from api.main import create_app
from api.readiness import watching
from api.settings import Settings
from seeds import loading
from tests.nights.conftest import HER, TRIP, reader
from tests.support.client import IsolatedTestClient

WORDS = ("marmaladequake", "zirconium-hiccups", "velvetdizzy", "quillpaste", "mumblefern", "torchglum")
U = f"/trips/{TRIP}/nights/people/{HER}"
HERE = {"origin": "http://127.0.0.1"}


@pytest.fixture
def app(settings: Settings, database: Database) -> FastAPI:
    loading.seed(database)
    return create_app(settings.model_copy(update={"demo": True, "access_log": True, "log_level": "debug"}))


@pytest.fixture
def logged(caplog: pytest.LogCaptureFixture) -> Iterator[pytest.LogCaptureFixture]:
    configure_logging(Settings(log_level="debug"))
    logging.getLogger().addHandler(caplog.handler)
    yield caplog
    configure_logging(Settings(log_level="warning"))


def as_role(client: IsolatedTestClient, role: Role) -> None:
    client.cookies.set(ROLE_COOKIE, role, domain="127.0.0.1", path="/")


def plant(client: IsolatedTestClient) -> None:
    """Notes of every kind with a word of their own, by the lead guide; also one that is refused."""
    as_role(client, "lead")
    sent = (
        {"kind": "health-remark", "text": WORDS[0]},
        {"kind": "medication-said", "medicine": WORDS[1]},
        {"kind": "symptom-score", "headache": "2", "fatigue": "2", "remark": WORDS[2]},
        {"kind": "reading", "spo2_percent": "81", "device": WORDS[3]},
        {"kind": "private-talk", "talk": WORDS[4], "decided": "goes-no-higher"},
        {"kind": "history-told", "history_said": WORDS[5]},
    )
    for note in sent:
        answer = client.post(f"{U}/notes", data=note, headers=HERE, follow_redirects=False)
        assert answer.status_code == 303, answer.text
    refused = client.post(f"{U}/notes", data={"kind": "reading", "device": WORDS[3]}, headers=HERE)
    assert refused.status_code == 422
    wrong = {"member": HER, "content": {"kind": "health-remark", "text": WORDS[0], "more": WORDS[1]}}
    assert client.post(f"/api/trips/{TRIP}/health/notes", json=wrong, headers=HERE).status_code == 422


def called(client: IsolatedTestClient) -> str:
    """A call made while she is held back; answers with its id."""
    as_role(client, "lead")
    call = {"decision": "wait", "reason": "for the wind", "seen_seq": 1}
    made = client.post(f"/api/trips/{TRIP}/calls", json=call, headers=HERE)
    assert made.status_code in (200, 201), made.text
    return str(made.json()["call"])


def addresses(app: FastAPI, call: str) -> list[str]:
    """Every address that can be read, with the demo's own ids in it."""
    known = {
        "trip": TRIP,
        "member": HER,
        "subject": HER,
        "finding": f"{HER}.private-note",
        "rope": "r3",
        "group": "r3",
        "kind": "csv",
        "call": call,
    }
    found = set()
    for context in iter_route_contexts(app.routes):
        path = context.path or ""
        names = re.findall(r"{(\w+)(?::\w+)?}", path)
        # A stream never ends by itself; what it carries is a number.
        if "GET" in (context.methods or ()) and set(names) <= set(known) and not path.endswith("/events"):
            found.add(re.sub(r"{(\w+)(?::\w+)?}", lambda m: known[m[1]], path))
    return sorted(found)


def watched(app: FastAPI, database: Database) -> None:
    """Someone outside is told whenever flags change."""
    lead = reader("lead")
    settings = app.state.settings.model_copy(
        update={"smtp_host": "mail.example", "mail_from": "board@example.org"}
    )
    with database.writing() as work:
        watching.watch(work, settings, app.state.readiness, lead, TRIP, "email", "desk@example.org")


def told(app: FastAPI, database: Database) -> str:
    """All letters that wait to go out, after something that is told of has changed too."""
    with database.writing() as work:
        absent = Sighting(subject=HER, requirement="helmet", known=Known.SEEN, state=GearState.ABSENT)
        app.state.journal.write(work, reader("lead"), TRIP, absent)
    with database.writing() as work:
        watching.write_digests(work, app.state.readiness)
        return str(work.execute(text("SELECT * FROM outbox")).all())


def words_in(content: str) -> set[str]:
    return {word for word in WORDS if word in content}


def test_no_planted_word_reaches_a_wrong_reader(
    app: FastAPI, logged: pytest.LogCaptureFixture, database: Database
) -> None:
    with IsolatedTestClient(app) as client:
        for _ in range(3):
            client.post("/demo/clock", data={"move": "next"}, headers=HERE)
        watched(app, database)
        plant(client)
        letters = told(app, database)
        assert letters, "a watcher was told something"
        assert words_in(letters) == set()
        for word in ("private note", "symptom", "guideline", "held back", "sleeping height"):
            assert word not in letters.lower(), word
        paths = addresses(app, called(client))
        assert [path for path in paths if "/calls/" in path], "records of calls are among them"
        assert len(paths) > 30
        seen: dict[tuple[str, Role], set[str]] = {}
        kept: list[str] = []
        for role in ROLES:
            as_role(client, role)
            for path in paths:
                answer = client.get(path, headers={"accept": "text/html"})
                found = words_in(answer.text) | words_in(str(answer.headers)) | words_in(str(answer.url))
                if found:
                    seen[path, role] = found
                    if answer.headers.get("cache-control") != "no-store":
                        kept.append(path)
        assert kept == [], "answers with notes may stay in no cache"
        notes = f"/trips/{TRIP}/nights/notes"
        api, export = f"/api/trips/{TRIP}/health/notes", f"/api/trips/{TRIP}/health/people/{HER}/export"
        assert {key: found for key, found in seen.items() if key[1] in ("office", "admin")} == {}
        assert {path for path, role in seen if role == "assistant"} == {notes, api}
        assert {path for path, role in seen if role == "lead"} == {notes, api, export}
        assert seen[notes, "lead"] == set(WORDS)
        assert seen[notes, "assistant"] == set(WORDS) - {WORDS[4]}, "a private talk is for leads"

        client.post("/demo/clock", data={"move": "next"}, headers=HERE)
        as_role(client, "lead")
        erased = client.post(f"{U}/erase", data={"sure": "yes"}, headers=HERE, follow_redirects=False)
        assert erased.status_code == 303
        assert words_in(client.get(notes).text) == set()

    assert "health_key_made" in logged.text, "the log is listened to"
    assert words_in(logged.text) == set()
    for word in ("symptom-score", "headache", "spo2"):
        assert word not in logged.text
    with database.reading() as conn:
        assert words_in("".join(sync.export_journal(conn, TRIP))) == set()
        for table in inspect(conn).get_table_names():
            rows = conn.execute(text(f'SELECT * FROM "{table}"')).all()
            assert words_in(str(rows)) == set(), table


def test_what_goes_out_of_the_house_names_no_reason(app: FastAPI, database: Database) -> None:
    """Findings are what messages, queues and printed boards are made of."""
    with IsolatedTestClient(app) as client:
        for _ in range(3):
            client.post("/demo/clock", data={"move": "next"}, headers=HERE)
        plant(client)
        board = client.get(f"/api/trips/{TRIP}/board").json()
        (held,) = [f for f in board["findings"] if f["requirement"] == "private-note"]
        assert held["title"] == "Moon Hye-jin: Private note – ask the lead guide. Goes no higher for now"
        told = str(held).lower()
        for word in ("headache", "score", "symptom", "81 %", "danger"):
            assert word not in told


def test_what_a_phone_keeps_of_the_call_holds_nothing_of_it(app: FastAPI) -> None:
    """In the morning of the headache, and after a call that differed in it."""
    with IsolatedTestClient(app) as client:
        for _ in range(3):
            client.post("/demo/clock", data={"move": "next"}, headers=HERE)
        plant(client)
        called = {"decision": "wait", "reason": "for the wind", "seen_seq": 1}
        made = client.post(f"/api/trips/{TRIP}/calls", json=called, headers=HERE).json()
        assert any("Private note" in text for text in made["differences"])
        as_role(client, "assistant")
        kept = client.get(f"/trips/{TRIP}/call/kept").text
        assert "was held back for a private reason" in kept
        for word in (*WORDS, "Private note", "private-note", "ymptom", "guideline", "night-gain"):
            assert word not in kept, word
        assert "Private note" in client.get(f"/trips/{TRIP}/call").text, "the page itself has it"


def test_answers_of_the_nights_room_are_never_kept(app: FastAPI) -> None:
    with IsolatedTestClient(app) as client:
        for path in (f"/trips/{TRIP}/nights", U, f"/api/trips/{TRIP}/nights", f"/trips/{TRIP}/nights/notes"):
            assert client.get(path).headers["cache-control"] == "no-store", path


def test_measurements_carry_no_person(app: FastAPI) -> None:
    with IsolatedTestClient(app) as client:
        client.get(U)
        as_role(client, "admin")
        measured = client.get("/metrics").text
    assert "/trips/{trip}/nights/people/{member}" in measured
    assert HER not in measured


def test_guides_read_in_time_only_also_on_the_page(app: FastAPI) -> None:
    with IsolatedTestClient(app) as client:
        app.state.clock.move_to(app.state.clock.now() + timedelta(days=40))
        answer = client.get(f"/trips/{TRIP}/nights/notes")
        assert answer.status_code == 403
        assert "are read from 2026-08-29 to 2026-09-22 only" in answer.text
