"""The phone judges gear as the service does: thousands of generated people, and histories in any order."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings

from api.journal.chain import moment
from api.journal.entry import Entry
from api.journal.fold import heads
from api.journal.kinds import Sighting, Withdrawn
from tests.handson.generated import PEOPLE, Generator
from tests.journal.histories import histories

GENERATED_PEOPLE = 5_000
TRIPS = GENERATED_PEOPLE // PEOPLE
SEED = 20260912

# Cases go in and out as text: handing over structures takes longer than judging them.
EVALUATE = """async (text) => {
  const { evaluate } = await import("/static/check/evaluator.js");
  const { taken, records } = JSON.parse(text);
  return JSON.stringify(Object.fromEntries(evaluate(taken, new Map(Object.entries(records)))));
}"""
STANDING = """async (text) => {
  const { standing } = await import("/static/check/picture.js");
  const ids = ([key, heads]) => [key, heads.map((head) => head.id)];
  return JSON.parse(text).map(({ records, withdrawn }) =>
    Object.fromEntries([...standing(records, new Set(withdrawn))].map(ids)));
}"""
NUMBERS = """async (numbers) => {
  const { fixed, plain } = await import("/static/check/evaluator.js");
  return numbers.map((n) => [fixed(n, 0), fixed(n, 1), plain(n)]);
}"""
HISTORIES = 300


@pytest.fixture
def blank(browser_page: Any) -> Any:
    """A page of the service on which nothing runs."""
    browser_page.goto("/static/check/evaluator.js")
    return browser_page


def test_phone_and_service_find_the_same(blank: Any) -> None:
    generator = Generator(SEED)
    kinds: set[str] = set()
    people = 0
    for _ in range(TRIPS):
        case = generator.case()
        sent = json.dumps({"taken": case.taken.wire(), "records": case.records})
        found = json.loads(blank.evaluate(EVALUATE, sent))
        expected = json.loads(json.dumps(case.expected()))
        different = [key for key in found.keys() | expected.keys() if found.get(key) != expected.get(key)]
        assert not different, "\n".join(f"{found.get(k)}\n{expected.get(k)}" for k in different[:3])
        kinds |= {finding["kind"] for finding in found.values()}
        people += sum(subject.scope == "person" for subject in case.taken.subjects)
    assert people == GENERATED_PEOPLE
    assert kinds == {"absent", "unfit", "short", "unknown", "unseen", "unanswered", "disagree"}


def test_phone_and_service_fold_the_same(blank: Any) -> None:
    drawn: list[list[Entry]] = []

    @settings(max_examples=HISTORIES, database=None, suppress_health_check=list(HealthCheck))
    @given(histories())
    def draw(history: list[Entry]) -> None:
        drawn.append(history)

    draw()
    sent = [{"records": _records(history), "withdrawn": _withdrawn(history)} for history in drawn]
    found = blank.evaluate(STANDING, json.dumps(sent))
    expected = [
        {
            ".".join(key[1:]): [str(e.id) for e in stand]
            for key, stand in heads(history).items()
            if key[0] == "sighting"
        }
        for history in drawn
    ]
    assert len(found) >= HISTORIES
    assert any(len(ids) > 1 for each in expected for ids in each.values())
    assert found == expected


def _records(history: list[Entry]) -> list[dict[str, Any]]:
    return [
        {
            "id": str(entry.id),
            "subject": entry.body.subject,
            "requirement": entry.body.requirement,
            "at": moment(entry.happened_at),
            "after": [str(known) for known in entry.after or ()],
        }
        for entry in reversed(history)
        if isinstance(entry.body, Sighting)
    ]


def _withdrawn(history: list[Entry]) -> list[str]:
    return [str(entry.body.entry) for entry in history if isinstance(entry.body, Withdrawn)]


def test_numbers_read_as_the_service_writes_them(blank: Any) -> None:
    quarters = [n / 4 for n in range(-50, 50)]
    odd_ones = [0.1 + 0.2, 1e-5, 123456.5, 1234567.0, 99999.95, 0.15, -0.04, 2.675, 1e5, 100.0, 1.2345678e-4]
    expected = [[f"{n:.0f}", f"{n:.1f}", f"{n:g}"] for n in [*quarters, *odd_ones]]
    assert blank.evaluate(NUMBERS, [*quarters, *odd_ones]) == expected
