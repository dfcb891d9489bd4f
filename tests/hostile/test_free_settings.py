"""Free text outside the journal (outfit, kit list, locker, buying list, rules, accounts) is text too.

Every page and file that the app declares is then read; one that is added is read here without a change.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from typing import Any

import pytest
from fastapi import FastAPI
from sqlalchemy import text

from api.access.current import Reader, Role, current_reader
from api.access.permissions import declared
from tests.hostile.test_free_text import LIVE, PREFIX, WORKED_OUT, texts
from tests.readiness.conftest import OUTFIT, TRIP, ReadAs, TellOn, as_role, demo_client, tell_on
from tests.support.client import IsolatedTestClient

__all__ = ["as_role", "demo_client", "tell_on"]

pytestmark = pytest.mark.one_database
NASTY = PREFIX + ' {{ 7 * 7 }} <script>alert(1)</script> "><img src=x onerror=alert(1)>'
NOT_READ = ("/events", "/sign-in/openid", "/r/{token}", "/join/{token}", "/static")
"""What never ends, leads to another service, or needs a link: those have tests of their own."""


def hostile_edition(edition: dict[str, Any]) -> dict[str, Any]:
    """The kit list with hostile words wherever there are words: ids and figures have no three of them."""
    changed = json.loads(json.dumps(edition))
    for path in texts(changed):
        at = changed
        for step in path[:-1]:
            at = at[step]
        if path[-1] in ("item", "ask", "says", "title", "label", "note", "why"):
            at[path[-1]] = NASTY
    return changed | {"id": "hostile-list", "number": 7}


def settings_of_the_outfit(edition: dict[str, Any], plan: dict[str, Any]) -> Iterator[tuple[str, str, Any]]:
    """Writes whose every free text is hostile, in the order in which they can be made."""
    thing = {"what": NASTY, "meets": ["mitts"], "place": NASTY, "remark": NASTY, "limit_source": NASTY}
    yield "POST", "/api/locker/items", thing | {"id": "hostile-1", "size": "L", "answers": {"of-what": NASTY}}
    yield "POST", "/api/locker/items/hostile-1/quarantine", {"reason": NASTY}
    yield "PUT", "/api/locker/shops/hostile-shop", {"what": NASTY, "meets": ["mitts"], "place": NASTY}
    yield "POST", "/api/kit-lists", edition
    yield "POST", "/api/kit-lists/hostile-list/publish", None
    yield "PUT", f"/api/trips/{TRIP}/plan", {"plan": plan | {"edition_id": "hostile-list"}}
    rule = {"id": "hostile-rule", "title": NASTY, "max_party": 30, "source": NASTY}
    yield "POST", "/api/party-rules", rule
    yield "POST", "/api/staff", {"name": NASTY, "email": "hostile@outfit.example", "role": "office"}


def pages_of(app: FastAPI, client: IsolatedTestClient) -> Iterator[str]:
    """Every address of the app that can be read, filled in with what is there."""
    board = client.get(f"/api/trips/{TRIP}/board").json()
    people = [person["member"] for rope in board["ropes"] for person in rope["people"]]
    finding = board["findings"][0]["id"]
    here = {
        "trip": TRIP,
        "finding": finding,
        "subject": people[0],
        "member": people[0],
        "item": "hostile-1",
        "shop": "hostile-shop",
        "edition": "hostile-list",
        "requirement": "mitts",
        "forecast": client.get(f"/api/trips/{TRIP}/forecasts").json()["forecasts"][0]["forecast"],
        "group": "party",
        "kind": "csv",
        "deed": "release",
    }
    for route in declared(app):
        wanted = re.findall(r"{(\w+)(?::\w+)?}", route.path)
        left = route.path.startswith(NOT_READ) or route.path.endswith(NOT_READ)
        if "GET" in route.methods and set(wanted) <= set(here) and not left:
            yield re.sub(r"{(\w+)(?::\w+)?}", lambda part: here[part[1]], route.path)


def test_free_text_of_the_outfit_is_text_wherever_it_is_read(
    app: FastAPI, demo_client: IsolatedTestClient, as_role: ReadAs, tell_on: TellOn
) -> None:
    tell_on("front-earlier")
    as_role("lead")
    listed = demo_client.get("/api/kit-lists").json()
    whole = demo_client.get(f"/api/kit-lists/{listed[0]['id']}").json()["edition"]
    kept = demo_client.get(f"/api/trips/{TRIP}").json()
    writers: tuple[Role, ...] = ("lead", "office", "admin")
    write_as = [Reader(OUTFIT, f"some-{role}", NASTY, role, everywhere=True) for role in writers]
    refused = []
    for method, path, body in settings_of_the_outfit(hostile_edition(whole), kept["plan"]):
        if path.endswith("/plan"):
            body |= {"seen_seq": demo_client.get(f"/api/trips/{TRIP}").json()["seq"]}
        for reader in write_as:
            app.dependency_overrides[current_reader] = lambda reader=reader: reader
            answer = demo_client.request(method, path, json=body)
            if answer.status_code != 403:
                break
        if answer.status_code not in (200, 201, 204):
            refused.append((method, path, answer.status_code, answer.text[:600]))
    assert refused == []
    with app.state.db.writing() as work:
        work.execute(text("UPDATE outfit SET name = :name"), {"name": NASTY})

    shown: set[str] = set()
    unread = list(pages_of(app, demo_client))
    roles: tuple[Role, ...] = ("lead", "admin")
    for role in roles:
        as_role(role)
        pages, unread = unread, []
        for page in pages:
            answer = demo_client.get(page, headers={"accept": "text/html"})
            assert answer.status_code != 500, page
            if answer.status_code == 403:
                unread.append(page)  # for another role
            kind = answer.headers.get("content-type", "")
            if answer.status_code != 200 or "pdf" in kind:
                continue
            if PREFIX in answer.text:
                shown.add(page)
            for near in re.findall(rf"{PREFIX} .{{0,40}}", answer.text):
                assert not WORKED_OUT.search(near), (page, near)
            if "html" in kind:
                assert [live for live in LIVE if live in answer.text] == [], page
            else:
                assert not kind.startswith("text/html"), page
    named = {
        "/locker",
        "/locker/items/hostile-1",
        "/locker/shops",
        f"/trips/{TRIP}",
        "/kit-lists/hostile-list",
    }
    assert named <= shown, named - shown
    assert len(shown) > 15, shown
    assert unread == []
