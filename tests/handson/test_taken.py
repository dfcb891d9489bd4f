"""What a phone takes along over the wire, and the worker that keeps the page."""

from __future__ import annotations

import gzip
import json
import re
from datetime import timedelta

import pytest
from fastapi import FastAPI

from api.clock import FixedClock
from api.handson.rules import LONGEST_LOOK, STATIONS, Look, odd_clock, spent
from api.journal.chain import moment
from api.journal.kinds import GearState, Known
from api.kitlist.schemas import Zone
from api.readiness.schemas import GapKind
from tests.handson.yard import READER_COOKIE, THINGS, TRIP
from tests.readiness.building import START
from tests.support.client import IsolatedTestClient
from web import words
from web.site import STATIC, static_url

pytestmark = pytest.mark.one_database

TAKEN = f"/api/trips/{TRIP}/hands-on"


def test_it_is_sent_once_for_each_state_and_reader(yard: IsolatedTestClient, clock: FixedClock) -> None:
    first = yard.get(TAKEN)
    taken = first.json()
    assert taken["format"] == 1
    assert taken["reader"] == {"id": "maren", "name": "Maren Okafor", "role": "lead"}
    assert [requirement["id"] for requirement in taken["requirements"]] == list(THINGS)
    assert first.headers["rimaye-now"] == moment(clock.now())
    clock.advance(timedelta(minutes=3))
    again = yard.get(TAKEN, headers={"If-None-Match": first.headers["etag"]})
    assert (again.status_code, again.content) == (304, b"")
    assert again.headers["rimaye-now"] == moment(clock.now())
    yard.cookies.set(READER_COOKIE, "petra")
    other = yard.get(TAKEN, headers={"If-None-Match": first.headers["etag"]})
    assert (other.status_code, other.json()["may_record"]) == (200, False)


def test_it_is_compressed_for_those_who_can_read_it(yard: IsolatedTestClient) -> None:
    plain = yard.get(TAKEN, headers={"Accept-Encoding": "identity"})
    assert "content-encoding" not in plain.headers
    with yard.stream("GET", TAKEN, headers={"Accept-Encoding": "gzip"}) as packed:
        raw = b"".join(packed.iter_raw())
    assert packed.headers["content-encoding"] == "gzip"
    assert json.loads(gzip.decompress(raw)) == plain.json()


def test_clocks_that_are_off_are_marked_and_the_record_kept(yard: IsolatedTestClient, app: FastAPI) -> None:
    def entry(number: int, at: timedelta, item: str) -> dict[str, object]:
        return {
            "id": f"019f58f0-0000-7000-8000-{number:012d}",
            "trip": TRIP,
            "body": {
                "kind": "sighting",
                "subject": "aroha",
                "requirement": item,
                "known": "seen",
                "state": "fits",
            },
            "actor": {"id": "maren", "name": "Maren Okafor", "role": "lead"},
            "device": "phone",
            "happened_at": (START + at).isoformat(),
            "after": [],
        }

    entries = [
        entry(1, timedelta(days=365), "boots"),
        entry(2, timedelta(days=-365), "parka"),
        entry(3, timedelta(days=-3), "mitts"),
    ]
    outcomes = yard.post(f"/api/trips/{TRIP}/journal", json={"entries": entries}).json()["outcomes"]
    assert {outcome["status"] for outcome in outcomes} == {"stored"}
    odd = {sent["requirement"]: sent.get("odd") for sent in yard.get(TAKEN).json()["sightings"]}
    assert odd == {"boots": "ahead", "parka": "behind", "mitts": None}
    assert "clock was ahead" in yard.get(f"/trips/{TRIP}/hands-on/of/aroha?item=boots").text


def test_a_moment_is_odd_only_beyond_what_no_signal_explains() -> None:
    assert odd_clock(START + timedelta(minutes=5), START) is None
    assert odd_clock(START + timedelta(minutes=5, seconds=1), START) == "ahead"
    assert odd_clock(START - timedelta(days=30), START) is None
    assert odd_clock(START - timedelta(days=30, seconds=1), START) == "behind"


def test_time_spent_is_counted_between_a_guides_own_records() -> None:
    def at(guide: str, subject: str, seconds: float) -> Look:
        return Look(guide, subject, START + timedelta(seconds=seconds))

    pause = LONGEST_LOOK.total_seconds()
    looks = [at("a", "x", 0), at("a", "x", 20), at("b", "x", 25), at("a", "y", 50), at("a", "y", 51 + pause)]
    assert spent(looks) == {"x": timedelta(seconds=20), "y": timedelta(seconds=30)}


def test_each_zone_has_its_station() -> None:
    zones = [zone for station in STATIONS for zone in station.zones]
    assert sorted(zones) == sorted(Zone)


def test_the_worker_keeps_everything_the_page_asks_for(yard: IsolatedTestClient) -> None:
    worker = yard.get("/sw.js")
    assert worker.headers["content-type"].startswith("text/javascript")
    kept = json.loads(re.search(r"^const KEPT = (.+);$", worker.text, re.M)[1])  # type: ignore[index]
    page = yard.get(f"/trips/{TRIP}/hands-on").text
    asked = set(re.findall(r'(?:href|src)="(/(?:static/[^"]+|check.js[^"]+|manifest.webmanifest))"', page))
    assert any(address.startswith("/check.js") for address in asked)
    assert asked <= set(kept)
    assert all(yard.get(address).status_code == 200 for address in kept)
    assert static_url("check/check.css") in kept


def test_the_script_is_one_file_that_holds_every_module(yard: IsolatedTestClient) -> None:
    page = yard.get(f"/trips/{TRIP}/hands-on").text
    address = re.search(r'<script type="module" src="([^"]+)"', page)[1]  # type: ignore[index]
    packed, plain = (yard.get(address, headers={"Accept-Encoding": how}) for how in ("gzip", "identity"))
    assert packed.headers["content-encoding"] == "gzip"
    assert "content-encoding" not in plain.headers
    assert packed.text == plain.text
    assert "immutable" in plain.headers["cache-control"]
    assert yard.get("/check.js?v=old").headers["cache-control"] == "no-cache"
    modules = {file.stem for file in (STATIC / "check").glob("*.js")} - {"worker"}
    assert set(re.findall(r"^const \$(\w+) = ", plain.text, re.M)) == modules
    assert len(re.findall("new EventSource", plain.text)) == 1


def test_the_page_says_ahead_what_it_will_need(yard: IsolatedTestClient) -> None:
    page = yard.get(f"/trips/{TRIP}/hands-on")
    ahead = re.findall(r"<([^>]+)>", page.headers["link"])
    assert TAKEN in ahead
    assert all(address in page.text for address in ahead if address != TAKEN)
    assert {yard.get(address).status_code for address in ahead} == {200}


def test_words_on_the_phone_are_those_of_the_service() -> None:
    text = (STATIC / "check" / "saying.js").read_text()

    def table(name: str) -> dict[str, str]:
        block = re.search(rf"export const {name} = {{(.*?)}};", text, re.S)[1]  # type: ignore[index]
        return dict(re.findall(r'"?([\w-]+)"?: "([^"]+)"', block))

    assert table("KNOWN") == {known.value: words.KNOWN[known] for known in Known}
    assert table("STATES") == {state.value: words.STATES[state] for state in GearState}
    on_phone = table("KINDS")
    assert on_phone == {kind: words.KINDS[GapKind(kind)] for kind in on_phone}
    assert table("STATIONS") == {station.id: station.title for station in STATIONS}
