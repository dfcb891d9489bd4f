"""Every operation that the service describes, asked by every role with whatever its description allows.

Never a 500; every status that comes is described; and every refusal is in the one shape.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import quote

import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from api.access.current import ROLES, Role
from api.clock import FixedClock
from api.main import create_app
from api.settings import Settings
from tests.access.house import OUR, OWN_TRIP, furnish
from tests.conftest import A_MORNING
from tests.support.client import IsolatedTestClient
from tests.support.databases import SqliteTemplates
from tests.support.readers import read_as

EXAMPLES = 3
WITHOUT_END = {"/api/trips/{trip}/events"}
"""Streams: they are tested where live updates are."""


@pytest.fixture(scope="module")
def house(sqlite_templates: SqliteTemplates, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    folder: Path = tmp_path_factory.mktemp("openapi")
    with sqlite_templates.fresh(folder) as url:
        clock = FixedClock(A_MORNING)
        app = create_app(Settings(database_url=url, data_dir=folder / "data", access_log=False), clock=clock)
        with IsolatedTestClient(app) as client:
            with app.state.db.writing() as work:
                furnish(work, clock.now())
            yield client


@pytest.mark.parametrize("role", ROLES)
def test_every_operation(house: IsolatedTestClient, role: Role) -> None:
    app: Any = house.app
    read_as(app, role, OUR)
    described = schemathesis.openapi.from_dict(app.openapi())
    failures: list[str] = []
    seen = 0
    for result in described.get_all_operations():
        operation = result.ok()
        if operation.path in WITHOUT_END:
            continue
        seen += 1
        statuses = set(operation.definition.raw["responses"])

        @settings(
            max_examples=EXAMPLES,
            phases=[Phase.generate],
            suppress_health_check=list(HealthCheck),
            database=None,
        )
        @given(case=operation.as_strategy(), own=st.booleans(), statuses=st.just(statuses))
        def ask(case: Any, own: bool, statuses: set[str]) -> None:
            fault = _fault(house, case, own, statuses)
            if fault:
                failures.append(fault)

        ask()
    assert seen > 80
    assert not failures, "\n".join(sorted(set(failures))[:30])


def _fault(house: IsolatedTestClient, case: Any, own: bool, statuses: set[str]) -> str:
    """What is wrong with the answer; empty when nothing is."""
    given_path = dict(case.path_parameters or {})
    if own and "trip" in given_path:
        given_path["trip"] = OWN_TRIP
    path = case.operation.path
    for name, value in given_path.items():
        path = path.replace("{" + name + "}", quote(str(value), safe="") or "x")
    sent: dict[str, Any] = {"params": dict(case.query or {})}
    if isinstance(case.body, bytes):
        sent["content"] = case.body
    elif type(case.body).__name__ != "NotSet":
        if (case.media_type or "").startswith("application/json"):
            sent["content"] = json.dumps(case.body).encode("utf-8", "surrogatepass")
            sent["headers"] = {"content-type": "application/json"}
        elif isinstance(case.body, dict):
            sent["data"] = {k: v for k, v in case.body.items() if isinstance(v, str)}
    answer = house.request(case.method.upper(), path, follow_redirects=False, **sent)
    status, where = answer.status_code, f"{case.method} {case.operation.path}"
    if status >= 500 and status != 503:
        return f"{where}: {status} {answer.text[:150]} for {path[:80]} {str(sent)[:150]}"
    if not {str(status), f"{status // 100}XX", "default"} & statuses:
        return f"{where}: {status} is not described"
    kind = answer.headers.get("content-type", "")
    if status >= 400 and path.startswith("/api/") and "problem+json" not in kind:
        return f"{where}: {status} came as {kind}"
    return ""
