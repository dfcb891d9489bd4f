"""Every operation that the service describes, asked by someone signed in, in each role, about a full trip.

What is sent is whatever the description allows, and now and then what is really there. Never a failure; every
status, content type and body that comes is as described; and every refusal is in the one shape.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path
from typing import Any
from urllib.parse import quote

import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from schemathesis.core.failures import Failure, FailureGroup
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_headers_conformance,
    response_schema_conformance,
    status_code_conformance,
)

from api.access import assigning, queries, service
from api.access.current import ROLES, SESSION_COOKIE, Remembered, Role
from api.access.limits import Limiter
from api.clock import FixedClock
from api.main import create_app
from api.settings import Settings
from seeds import demo, loading
from tests.access.house import FOREIGN_TRIP, PHONE, furnish
from tests.support.client import IsolatedTestClient
from tests.support.databases import SqliteTemplates

EXAMPLES = 5
OUTFIT = "quillstone"
TRIP = demo.scenario().trip
CHECKS = [
    status_code_conformance,
    content_type_conformance,
    response_headers_conformance,
    response_schema_conformance,
]


@dataclass
class Told:
    """Who asks, what is really there, and what came back."""

    app: Any
    client: IsolatedTestClient
    role: Role
    known: dict[str, list[str]]
    statuses: Counter[int] = field(default_factory=Counter)
    faults: set[str] = field(default_factory=set)

    def sign_in(self) -> None:
        """Anew for each operation: some end sign-ins, change roles, keep people out or use up limits."""
        who, now = f"{self.role}-asks", self.app.state.clock.now()
        with self.app.state.db.writing() as work:
            queries.change_staff(work, who, {"role": self.role, "active": True})
            if who not in {row.id for row in queries.trip_staff(work, TRIP)}:
                assigning.assign_one(work, TRIP, who, now, by=who)
            person = queries.staff_by_id(work, who)
            assert person is not None
            opened = service.open_session(
                work, person, now, how="password", visitor=PHONE, lasts=timedelta(days=21)
            )
        self.app.state.remembered = Remembered(self.app.state.clock)
        self.app.state.limiter = Limiter(self.app.state.clock)
        self.client.cookies.clear()
        self.client.cookies.set(SESSION_COOKIE, opened.token, domain="127.0.0.1", path="/")
        me = self.client.get("/api/me")
        assert (me.status_code, me.json()["role"]) == (200, self.role)

    def ask(self, case: Any, really: bool, pick: int) -> None:
        """Ask once; `really`: about what is there, where that is known."""
        names = dict(case.path_parameters or {})
        if really:
            names |= {name: ids[pick % len(ids)] for name in names if (ids := self.known.get(name))}
        elif "trip" in names and pick % 4 == 0:
            names["trip"] = FOREIGN_TRIP
        path = case.operation.path
        for name, value in names.items():
            path = path.replace("{" + name + "}", quote(str(value), safe="") or "x")
        answer = self.client.request(case.method.upper(), path, follow_redirects=False, **_sent(case))
        self.statuses[answer.status_code] += 1
        where = f"{case.method} {case.operation.path}"
        if answer.status_code >= 500:
            self.faults.add(
                f"{where}: {answer.status_code} {answer.text[:200]} for {path[:80]} {_sent(case)}"[:600]
            )
            return
        if answer.status_code >= 400 and "problem+json" not in answer.headers.get("content-type", ""):
            self.faults.add(f"{where}: {answer.status_code} came as {answer.headers.get('content-type')}")
        if names.get("trip") == FOREIGN_TRIP and answer.is_success:
            self.faults.add(f"{where}: let into another outfit's trip")
        try:
            case.validate_response(answer, checks=CHECKS)
        except (Failure, FailureGroup) as found:
            kinds = found.exceptions if isinstance(found, FailureGroup) else (found,)
            self.faults |= {
                f"{where}: {answer.status_code} {each.title}: {each.message[:300]}" for each in kinds
            }


def _sent(case: Any) -> dict[str, Any]:
    """What of a case goes into the request beside its path."""
    sent: dict[str, Any] = {"params": dict(case.query or {})}
    headers = {
        name: value
        for name, value in dict(case.headers or {}).items()
        if value.isascii() and value.isprintable()
    }
    if isinstance(case.body, bytes):
        sent["content"] = case.body
    elif type(case.body).__name__ != "NotSet":
        if (case.media_type or "").startswith("application/json"):
            sent["content"] = json.dumps(case.body).encode("utf-8", "surrogatepass")
            headers["content-type"] = "application/json"
        elif isinstance(case.body, dict):
            sent["data"] = {k: v for k, v in case.body.items() if isinstance(v, str)}
            files = {k: ("file", v) for k, v in case.body.items() if isinstance(v, bytes)}
            sent |= {"files": files} if files else {}
    return sent | {"headers": headers}


@pytest.fixture(scope="module")
def full(sqlite_templates: SqliteTemplates, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    """The invented trip, not in demo mode: nobody is let in without a sign-in."""
    folder: Path = tmp_path_factory.mktemp("openapi")
    with sqlite_templates.fresh(folder) as url:
        clock = FixedClock(demo.moments(demo.scenario())[0].at)
        made = Settings(
            database_url=url, data_dir=folder / "data", access_log=False, watch_every_s=0,
            push_contact="mailto:ops@outfit.example",
        )  # fmt: skip
        app = create_app(made, clock=clock)
        with IsolatedTestClient(app) as client:
            loading.seed(app.state.db)
            with app.state.db.writing() as work:
                furnish(work, clock.now())
                for role in ROLES:
                    queries.add_staff(work, _person(role, clock))
            app.state.stopping.set()  # open streams say where the trip is, and end
            yield client


def _person(role: Role, clock: FixedClock) -> dict[str, Any]:
    return {
        "id": f"{role}-asks", "outfit_id": OUTFIT, "name": f"A {role}", "role": role, "active": True,
        "email": f"{role}@quillstone.example", "password_hash": None, "openid_subject": None,
        "created_at": clock.now(),
    }  # fmt: skip


def _known(client: IsolatedTestClient) -> dict[str, list[str]]:
    """Ids of what is really there, by the name they have in addresses."""
    board = client.get(f"/api/trips/{TRIP}/board").json()
    people = [person["member"] for rope in board["ropes"] for person in rope["people"]]
    return {
        "trip": [TRIP],
        "member": people,
        "subject": [*people, "party"],
        "finding": [finding["id"] for finding in board["findings"]],
        "kind": ["csv", "xlsx", "json"],
        "edition": [client.get("/api/kit-lists").json()["editions"][0]["id"]]
        if isinstance(client.get("/api/kit-lists").json(), dict)
        else [client.get("/api/kit-lists").json()[0]["id"]],
    }


@pytest.mark.parametrize("role", ROLES)
def test_every_operation(full: IsolatedTestClient, role: Role) -> None:
    app: Any = full.app
    told = Told(app, full, role, {})
    told.sign_in()
    told.known = _known(full)
    assert told.known["finding"]
    described = schemathesis.openapi.from_dict(app.openapi())
    seen = set()
    for result in described.get_all_operations():
        operation = result.ok()
        seen.add((operation.method.upper(), operation.path))
        told.sign_in()

        @settings(
            max_examples=EXAMPLES,
            phases=[Phase.generate],
            suppress_health_check=list(HealthCheck),
            deadline=None,
            database=None,
        )
        @given(case=operation.as_strategy(), really=st.booleans(), pick=st.integers(0, 50))
        def ask(case: Any, really: bool, pick: int) -> None:
            told.ask(case, really, pick)

        ask()
    declared = {(method.upper(), path) for path, ways in app.openapi()["paths"].items() for method in ways}
    assert seen == declared
    assert told.statuses[200] > len(seen) / 2, told.statuses
    assert not told.faults, "\n".join(sorted(told.faults)[:40])
