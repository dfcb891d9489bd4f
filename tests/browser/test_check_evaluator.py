"""The phone judges gear as the service does: thousands of generated people, and histories in any order."""

from __future__ import annotations

import json
from functools import partial
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings

from api.handson.looking import TAPS, look, told
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
TAPPED = """async (text) => {
  const { TAPS, look, told } = await import("/static/check/picture.js");
  const written = ({ records, subject, requirement, writer }) => [
    ...Object.values(TAPS).map((tap) => look(subject, requirement, records, ...tap)),
    told(subject, requirement, records, writer, { answers: { rating: -5 } }),
    told(subject, requirement, records, writer, { count: 2, remark: "stuck" }),
    told(subject, requirement, records, writer, { stand_in: "other-thing" }),
  ];
  return JSON.parse(text).map(written);
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


def test_a_tap_writes_the_same_on_phone_and_page(blank: Any) -> None:
    case = Generator(SEED + 1).case()
    held = list(case.picture.sightings.items())
    writers = ["lead", "assistant"]
    sent = [
        {
            "subject": subject,
            "requirement": item,
            "writer": writers[n % 2],
            "records": case.records[f"{subject}.{item}"],
        }
        for n, ((subject, item), records) in enumerate(held)
    ]
    found = blank.evaluate(TAPPED, json.dumps(sent))
    assert len(found) > 300
    for n, ((subject, item), records) in enumerate(held):
        told_by = partial(told, subject, item, records, writers[n % 2])
        expected = [
            *(look(subject, item, records, known, state) for known, state in TAPS.values()),
            told_by(answers={"rating": -5.0}),
            told_by(count=2, remark="stuck"),
            told_by(stand_in="other-thing"),
        ]
        for here, there in zip(found[n], expected, strict=True):
            assert (here is None) == (there is None)
            if here is not None and there is not None:
                assert Sighting.model_validate(here["body"]) == there.body
                assert here["after"] == [str(id_) for id_ in there.after]


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
