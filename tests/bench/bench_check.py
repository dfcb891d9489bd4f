"""The check on a phone: what comes over the wire, how soon it can be used, how fast it shows a tap and syncs.

A phone is Chromium with its processor slowed four times; slow 4G is 150 ms there and back, 1.6 Mbit/s down
and 0.75 Mbit/s up (the figures that Lighthouse publishes for a slow mobile network).
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from playwright.sync_api import expect, sync_playwright

from scripts.test_tools import browser as find_browser
from seeds import demo
from tests.bench import Row
from tests.support.live import CHROMIUM_FLAGS

PHONE = {"width": 390, "height": 844}
SLOW_4G = {
    "offline": False,
    "latency": 150,
    "downloadThroughput": 1.6 * 1024 * 1024 / 8,
    "uploadThroughput": 0.75 * 1024 * 1024 / 8,
}
LOADS, TAPS, QUEUED = 5, 25, 500
WIRE_BAR_KB, USABLE_BAR_S, TAP_BAR_MS, SYNC_BAR_S = 150.0, 1.0, 50.0, 2.0

READY = 'performance.getEntriesByName("check ready")[0].startTime'
WATCH = """() => {
  window.taps = [];
  let pressed = 0;
  addEventListener("pointerdown", (event) => { pressed = event.timeStamp; }, true);
  new MutationObserver(() => {
    if (!pressed) return;
    const since = pressed;
    pressed = 0;
    requestAnimationFrame(() => setTimeout(() => window.taps.push(performance.now() - since)));
  }).observe(document.getElementById("check"), { childList: true, subtree: true });
}"""
BARE_TAP = """() => {
  const button = document.createElement("button");
  button.id = "bare";
  button.textContent = "0";
  document.querySelector("main").prepend(button);
  window.bare = [];
  button.addEventListener("click", async (event) => {
    const outbox = await import("/static/check/outbox.js");
    await outbox.keepMeta("bench", event.timeStamp);
    button.textContent = String(event.timeStamp);
    requestAnimationFrame(() => setTimeout(() => window.bare.push(performance.now() - event.timeStamp)));
  });
}"""
QUEUE = """async ([trip, howMany]) => {
  const outbox = await import("/static/check/outbox.js");
  const { moment, newId } = outbox;
  const { reader, subjects, requirements } = (await outbox.taken(trip)).answer;
  const people = subjects.filter((subject) => subject.scope === "person");
  const kept = Array.from({ length: howMany }, (_, n) => {
    const body = { kind: "sighting", subject: people[n % people.length].id, known: "seen", state: "fits",
      requirement: requirements[n % requirements.length].id, answers: {}, remark: "bench " + n };
    const id = newId(Date.now());
    return { id, trip, behind: [], since: Date.now(), seq: null, problem: null,
      entry: { id, trip, body, actor: reader, device: "bench", happened_at: moment(Date.now()), seen_seq: 0,
        after: [] } };
  });
  await outbox.add(kept);
}"""
SYNC = """async (trip) => {
  const outbox = await import("/static/check/outbox.js");
  const started = performance.now();
  window.dispatchEvent(new Event("online"));
  while ((await outbox.ofTrip(trip)).length) await new Promise((resolve) => setTimeout(resolve, 10));
  return (performance.now() - started) / 1000;
}"""


def run() -> list[Row]:
    """All four, in a browser against the demo served on this machine."""
    trip = demo.scenario().trip
    with tempfile.TemporaryDirectory() as folder, _server(Path(folder)) as address, _browser() as browser:
        loads = [_load(browser, address, trip) for _ in range(LOADS)]
        bare_load_s = statistics.median(_bare_load(browser, address) for _ in range(LOADS))
        taps, bare_taps = _taps(browser, address, trip)
        sync_s = _sync(browser, address, trip)
    wire_kb = max(kb for kb, _ in loads)
    usable_s = statistics.median(seconds for _, seconds in loads)
    tap_ms = statistics.median(taps)
    return [
        _row(
            "check, first load over the wire",
            f"{WIRE_BAR_KB:g} kB",
            WIRE_BAR_KB / wire_kb,
            f"{wire_kb:.0f} kB",
        ),
        _row(
            "check, usable on slow 4G with the processor slowed 4 times",
            f"{USABLE_BAR_S:g} s",
            USABLE_BAR_S / usable_s,
            f"{usable_s:.2f} s, slowest {max(s for _, s in loads):.2f} s; a bare file {bare_load_s:.2f} s",
        ),
        _row(
            "check, tap kept and on screen, processor slowed 4 times",
            f"{TAP_BAR_MS:g} ms",
            TAP_BAR_MS / tap_ms,
            f"{tap_ms:.0f} ms, slowest of {len(taps)} {max(taps):.0f} ms; a bare button that keeps one number"
            f" {statistics.median(bare_taps):.0f} ms",
        ),
        _row(
            f"check, sync of {QUEUED} records on loopback",
            f"{SYNC_BAR_S:g} s",
            SYNC_BAR_S / sync_s,
            f"{sync_s:.2f} s",
        ),
    ]


def _row(what: str, bar: str, ratio: float, figure: str) -> Row:
    return Row(what=what, baseline=f"the bar of {bar}", ratio=ratio, figure=figure, bar=1.0)


@contextmanager
def _server(folder: Path) -> Iterator[str]:
    command = [sys.executable, "-m", "tests.bench.board_server", str(folder)]
    server = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    try:
        assert server.stdout is not None
        yield next(line.strip() for line in server.stdout if line.startswith("http"))
    finally:
        server.terminate()
        server.wait(20)


@contextmanager
def _browser() -> Iterator[Any]:
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=find_browser(), args=list(CHROMIUM_FLAGS))
        yield browser
        browser.close()


def _phone(browser: Any, address: str) -> tuple[Any, Any]:
    context = browser.new_context(base_url=address, viewport=PHONE, has_touch=True)
    page = context.new_page()
    wire = context.new_cdp_session(page)
    wire.send("Network.enable")
    wire.send("Emulation.setCPUThrottlingRate", {"rate": 4})
    return page, wire


def _load(browser: Any, address: str, trip: str) -> tuple[float, float]:
    """A first visit: kB over the wire until the screen can be used, and the seconds until then."""
    page, wire = _phone(browser, address)
    wire.send("Network.emulateNetworkConditions", SLOW_4G)
    received: list[float] = []
    wire.on("Network.loadingFinished", lambda event: received.append(event["encodedDataLength"]))
    page.goto(f"/trips/{trip}/hands-on")
    expect(page.locator("#check[data-ready]")).to_be_attached()
    total_kb, seconds = sum(received) / 1000, page.evaluate(READY) / 1000
    page.context.close()
    return total_kb, seconds


def _bare_load(browser: Any, address: str) -> float:
    """Seconds for one small file on the same phone and network: what the machine can do at all."""
    page, wire = _phone(browser, address)
    wire.send("Network.emulateNetworkConditions", SLOW_4G)
    page.goto("/static/mark.svg")
    seconds: float = page.evaluate("performance.now()") / 1000
    page.context.close()
    return seconds


def _taps(browser: Any, address: str, trip: str) -> tuple[list[float], list[float]]:
    """From the finger to the changed picture, with the record on the disk before; and a bare button so."""
    page, _ = _phone(browser, address)
    page.goto(f"/trips/{trip}/hands-on/of/p09?item=boots")
    expect(page.locator("#check[data-kept]")).to_be_attached(timeout=30_000)
    page.evaluate('import("/static/check/outbox.js")')  # for the bare button; later there is no network
    page.context.set_offline(True)
    page.evaluate(WATCH)
    for _ in range(TAPS):
        page.wait_for_timeout(400)
        page.get_by_role("button", name="Tried and fine").tap()
        page.wait_for_timeout(200)
        page.locator(".all .to-check").nth(3).tap()
    taps: list[float] = page.evaluate("window.taps")
    page.evaluate(BARE_TAP)
    for _ in range(TAPS):
        page.wait_for_timeout(200)
        page.locator("#bare").tap()
    page.wait_for_timeout(500)
    bare: list[float] = page.evaluate("window.bare")
    page.context.close()
    return taps, bare


def _sync(browser: Any, address: str, trip: str) -> float:
    context = browser.new_context(base_url=address, viewport=PHONE)
    page = context.new_page()
    page.goto(f"/trips/{trip}/hands-on")
    expect(page.locator("#check[data-kept]")).to_be_attached(timeout=30_000)
    page.evaluate(QUEUE, [trip, QUEUED])
    seconds: float = page.evaluate(SYNC, trip)
    context.close()
    return seconds
