"""Whatever a person may type, in every kind of entry, comes out as text on every page of the trip."""

from __future__ import annotations

import json
import re
from typing import Any

import pytest
from fastapi import FastAPI
from pydantic import TypeAdapter, ValidationError

from api.access.current import Reader
from api.errors import Problem
from api.journal.kinds import AnyBody
from tests.access.test_attacks import NASTY
from tests.readiness.conftest import TRIP, ReadAs, TellOn, as_role, demo_client, tell_on
from tests.support.client import IsolatedTestClient
from web.pages.screens import trip_menu

__all__ = ["as_role", "demo_client", "tell_on"]

pytestmark = pytest.mark.one_database
BODY: TypeAdapter[AnyBody] = TypeAdapter(AnyBody)
LIVE = ("<script>alert", "<img src=x", "<svg onload", "<%=", "</title><svg")
WORKED_OUT = re.compile(r"(?<![\d.:#-])49(?![\d.:-])")
PREFIX = "typed"


def mutations(kept: dict[str, Any], nasty: str) -> list[dict[str, Any]]:
    """The body with each of its texts in turn replaced, wherever the result is a sound entry."""
    made = []
    for path in texts(kept):
        body = json.loads(json.dumps(kept))
        at = body
        for step in path[:-1]:
            at = at[step]
        at[path[-1]] = f"{PREFIX} {nasty}"
        try:
            BODY.validate_python(body)
        except ValidationError:
            continue  # an id, a choice, a number: no free text
        made.append(body)
    return made


def texts(value: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    if isinstance(value, str):
        return [path]
    steps = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    return [found for step, inner in steps for found in texts(inner, (*path, step))]


@pytest.mark.parametrize("nasty", NASTY)
def test_free_text_is_text_on_every_page_of_a_trip(
    app: FastAPI, demo_client: IsolatedTestClient, as_role: ReadAs, tell_on: TellOn, nasty: str
) -> None:
    tell_on("front-earlier")
    reader: Reader = as_role("lead")
    written = demo_client.get(f"/api/trips/{TRIP}/journal?limit=5000").json()["entries"]
    newest = {entry["body"]["kind"]: entry["body"] for entry in written}
    newest["remark"] = {"kind": "remark", "text": "All well"}
    stored: set[str] = set()
    for body in (each for kept in newest.values() for each in mutations(kept, nasty)):
        try:
            with app.state.db.writing() as work:
                app.state.journal.write(work, reader, TRIP, BODY.validate_json(json.dumps(body)))
        except Problem:
            continue  # refused as a whole: it reaches no page
        stored.add(body["kind"])
    assert {"remark", "sighting", "member-set", "trip-planned"} <= stored, stored

    board = demo_client.get(f"/api/trips/{TRIP}/board").json()
    menu = trip_menu(TRIP, reader)
    pages = [address for address, _ in menu.first + tuple(link for _, links in menu.more for link in links)]
    pages += [
        f"/trips/{TRIP}/people/{person['member']}" for rope in board["ropes"] for person in rope["people"]
    ]
    pages += [f"/trips/{TRIP}/findings/{finding['id']}" for finding in board["findings"][:5]]
    shown = 0
    for page in pages:
        answer = demo_client.get(page, headers={"accept": "text/html"})
        assert answer.status_code == 200, (page, answer.text[:300])
        shown += PREFIX in answer.text
        assert [live for live in LIVE if live in answer.text] == [], page
        for near in re.findall(rf"{PREFIX} .{{0,40}}", answer.text):
            assert not WORKED_OUT.search(near), (page, near)
    assert shown > 3
