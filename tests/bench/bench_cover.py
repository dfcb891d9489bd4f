"""A large cover plan, against handing things out in order of grade to whom they fit best (greedy)."""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Callable
from statistics import median

from api.clock import SystemClock
from api.kitlist.schemas import Grade
from api.locker.cover import LEVELS, Planner, Score, score
from api.locker.problem import Need, Offer, Pairing, Problem, Source
from tests.bench import Row

GAPS, ITEMS, KINDS = 60, 400, 20
BAR_S = 0.2
ROUNDS = 7


def run() -> list[Row]:
    """Time for 60 gaps and 400 things, spread over many kinds of gear and with all gaps of one kind."""
    rows = []
    for name, kinds in (("20 kinds of gear", KINDS), ("all of one kind", 1)):
        problem = large(kinds)
        exact_s, greedy_s = _seconds(lambda p=problem: Planner(p)), _seconds(lambda p=problem: greedy(p))
        best, plain = Planner(problem).solution.score, score(problem, greedy(problem))
        if best > plain:
            raise AssertionError(f"greedy found a better plan: {plain} against {best}")
        rows.append(
            Row(
                what=f"cover plan, {GAPS} gaps, {ITEMS} things, {name}: 200 ms over its time",
                baseline="200 ms",
                ratio=BAR_S / exact_s,
                figure=f"{exact_s * 1000:.1f} ms; {_words(best)}",
                bar=1.0,
            )
        )
        rows.append(
            Row(
                what=f"cover plan, {name}: greedy's time over the exact plan's",
                baseline="plain greedy, in order of grade, to whom it fits best",
                ratio=greedy_s / exact_s,
                figure=f"greedy {greedy_s * 1000:.1f} ms; {_words(plain)}",
            )
        )
    return rows


def large(kinds: int) -> Problem:
    """Gaps and things of some kinds of gear, scarce enough that it matters who gets what."""
    chance = random.Random(60_400)
    needs = tuple(Need(f"n{i:02}", chance.choice(list(Grade))) for i in range(GAPS))
    kind_of = {need.id: i % kinds for i, need in enumerate(needs)}
    sources = tuple(
        Source(
            f"s{i:03}",
            capacity=chance.choice([1] * 9 + [4]),
            opens=chance.choice([None] * 39 + [Grade.ADVISE]),
        )
        for i in range(ITEMS)
    )
    offers = tuple(
        Offer(
            need.id,
            source.id,
            misfit=chance.choice([0, 1, 2]),
            hand_overs=chance.choice([1, 2]),
            leaves=Grade.ADVISE if need.grade is Grade.STOP and chance.random() < 0.2 else None,
            gives=chance.choice(["b1", "b2", "b3"]),
            goes_with=frozenset({"b1", "b2", "b3"}) - {chance.choice(["b1", "b2", "b3"])},
        )
        for i, source in enumerate(sources)
        for need in needs
        if kind_of[need.id] == i % kinds and chance.random() < (0.15 if kinds > 1 else 0.05)
    )
    pairings = tuple(Pairing(f"n{i:02}", f"n{i + 1:02}", None) for i in range(0, 12, 2))
    return Problem(needs, sources, offers, pairings)


def greedy(problem: Problem) -> dict[str, Offer]:
    """Worst gap first, each gets what fits it best of what is left; boots and crampons as they come."""
    left = Counter({source.id: source.capacity or GAPS for source in problem.sources})
    taken: dict[str, Offer] = {}
    kinds = {pairing.follow: pairing for pairing in problem.pairings}
    for need in sorted(problem.needs, key=lambda need: (-need.grade.weight, need.id)):
        fitting = [o for o in problem.offers if o.need == need.id and o.units <= left[o.source]]
        pairing = kinds.get(need.id)
        if pairing is not None:
            boot = taken.get(pairing.lead)
            own = boot.gives if boot is not None else pairing.own
            fitting = [o for o in fitting if o.goes_with is None or own in o.goes_with]
        lead = next((p for p in problem.pairings if p.lead == need.id and p.follow in taken), None)
        if lead is not None:
            suited = taken[lead.follow].goes_with
            fitting = [o for o in fitting if suited is None or o.gives in suited]
        if fitting:
            best = min(fitting, key=lambda o: (o.misfit, o.hand_overs, o.purchases, o.source))
            taken[need.id] = best
            left[best.source] -= best.units
    return taken


def _seconds(work: Callable[[], object]) -> float:
    clock = SystemClock()
    work()
    times = []
    for _ in range(ROUNDS):
        started = clock.monotonic()
        work()
        times.append(clock.monotonic() - started)
    return median(times)


def _words(found: Score) -> str:
    return ", ".join(f"{number} {name}" for name, number in zip(LEVELS, found, strict=True))
