"""The best cover of many gaps at once: who gets what from whom. Pure; exact, and the same on every run.

What is best is decided level by level, each before the next: fewest stops left open, then fixes, then
advises; then the best fit; then the fewest hand-overs; then the fewest purchases. The levels become one
whole-number cost, a larger weight for a higher level, and the assignment with the least cost is found by
`scipy.optimize.linear_sum_assignment`. Three things are no plain assignment and are settled by branching over
it, best bound first: crampons must suit the boots the same person ends up with; a stock is not handed out
beyond what there is; and the first thing taken from a spare that is itself asked for opens a gap there, the
second does not.

Every gap is covered from one source, never half from each of two: it would hang on two promises, and the plan
would be no assignment any more, which is what makes it exact. Two loans made by hand do it.
"""

import heapq
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import count

import numpy as np
import numpy.typing as npt

from api.kitlist.schemas import Grade
from api.locker.problem import Need, Offer, Pairing, Problem, Source

LEVELS = ("stops", "fixes", "advises", "misfit", "hand-overs", "purchases")
_GRADE_LEVEL = {Grade.STOP: 0, Grade.FIX: 1, Grade.ADVISE: 2}
_EXACT = 2**53
"""Whole numbers up to here are exact in the solver's arithmetic."""

Score = tuple[int, int, int, int, int, int]
"""What a plan leaves open and costs, by level; smaller is better, compared from the left."""


@dataclass(frozen=True, slots=True)
class Solution:
    """The best plan: the offer taken for each need, and what it leaves open and costs."""

    taken: Mapping[str, Offer]
    """By need id; needs that stay uncovered are not in it."""
    score: Score


def solve(problem: Problem) -> Solution:
    """The best cover of a problem.

    Parameters
    ----------
    problem
        Needs, sources and offers in any order; the result does not depend on it. At most one offer for a
        (need, source).

    Returns
    -------
    Solution
        An optimum. Among equally good plans the choice is fixed by the ids.

    Raises
    ------
    ValueError
        A name that is not there, an offer given twice, or more needs hanging together than can be weighed
        exactly (about 150).
    """
    return Planner(problem).solution


def score(problem: Problem, taken: Mapping[str, Offer]) -> Score:
    """What a plan leaves open and costs."""
    levels = [0] * len(LEVELS)
    for need in problem.needs:
        offer = taken.get(need.id)
        left = need.grade if offer is None else offer.leaves
        if left is not None:
            levels[_GRADE_LEVEL[left]] += 1
    touched = {offer.source for offer in taken.values()}
    for source in problem.sources:
        if source.opens is not None and source.id in touched:
            levels[_GRADE_LEVEL[source.opens]] += 1
    for offer in taken.values():
        levels[3] += offer.misfit
        levels[4] += offer.hand_overs
        levels[5] += offer.purchases
    a, b, c, d, e, f = levels
    return a, b, c, d, e, f


class Planner:
    """Solves a problem part by part, and again for the part that one more thing would touch."""

    def __init__(self, problem: Problem) -> None:
        _checked(problem)
        self._parts = [(part, _Part(part).solve()) for part in _parts(problem)]
        taken = {need: offer for _, part in self._parts for need, offer in part.taken.items()}
        self.solution = Solution(dict(sorted(taken.items())), _sum(part.score for _, part in self._parts))

    def gain(self, source: Source, offers: Sequence[Offer]) -> Score:
        """How much better the plan would be with one more source: score before less score after."""
        wanted = {offer.need for offer in offers}
        touched = [(p, s) for p, s in self._parts if any(need.id in wanted for need in p.needs)]
        before = _sum(part.score for _, part in touched)
        joined = Problem(
            needs=tuple(need for p, _ in touched for need in p.needs),
            sources=(*(s for p, _ in touched for s in p.sources), source),
            offers=(*(o for p, _ in touched for o in p.offers), *offers),
            pairings=tuple(pairing for p, _ in touched for pairing in p.pairings),
        )
        after = _sum(_Part(part).solve().score for part in _parts(joined))
        a, b, c, d, e, f = (x - y for x, y in zip(before, after, strict=True))
        return a, b, c, d, e, f


def _sum(scores: Iterable[Score]) -> Score:
    a, b, c, d, e, f = (sum(level) for level in zip((0,) * len(LEVELS), *scores, strict=True))
    return a, b, c, d, e, f


def _checked(problem: Problem) -> None:
    needs, sources = {n.id for n in problem.needs}, {s.id for s in problem.sources}
    seen: set[tuple[str, str]] = set()
    for offer in problem.offers:
        if offer.need not in needs or offer.source not in sources:
            raise ValueError(f"offer of {offer.source} for {offer.need}: one of them is not in the problem")
        if (offer.need, offer.source) in seen:
            raise ValueError(f"offer of {offer.source} for {offer.need} is there twice; keep the better one")
        seen.add((offer.need, offer.source))


def _parts(problem: Problem) -> list[Problem]:
    """The problem in parts that have nothing to do with each other, each in order of its ids."""
    limited = {source.id for source in problem.sources if source.capacity is not None or source.opens}
    together = _Together()
    for need in problem.needs:
        together.root(need.id)
    for offer in problem.offers:
        if offer.source in limited:
            together.join(offer.need, f"\0{offer.source}")
    for pairing in problem.pairings:
        together.join(pairing.lead, pairing.follow)
    needs: defaultdict[str, list[Need]] = defaultdict(list)
    offers: defaultdict[str, list[Offer]] = defaultdict(list)
    pairings: defaultdict[str, list[Pairing]] = defaultdict(list)
    for need in sorted(problem.needs, key=lambda need: need.id):
        needs[together.root(need.id)].append(need)
    for offer in sorted(problem.offers, key=lambda offer: (offer.need, offer.source)):
        offers[together.root(offer.need)].append(offer)
    for pairing in sorted(problem.pairings, key=lambda pairing: (pairing.lead, pairing.follow)):
        pairings[together.root(pairing.lead)].append(pairing)
    by_id = {source.id: source for source in problem.sources}
    return [
        Problem(
            needs=tuple(listed),
            sources=tuple(by_id[id_] for id_ in sorted({offer.source for offer in offers[root]})),
            offers=tuple(offers[root]),
            pairings=tuple(pairings[root]),
        )
        for root, listed in needs.items()
    ]


class _Together:
    """Which ids hang together."""

    def __init__(self) -> None:
        self._up: dict[str, str] = {}

    def root(self, id_: str) -> str:
        self._up.setdefault(id_, id_)
        while self._up[id_] != id_:
            self._up[id_] = self._up[self._up[id_]]
            id_ = self._up[id_]
        return id_

    def join(self, a: str, b: str) -> None:
        self._up[self.root(a)] = self.root(b)


@dataclass(frozen=True, slots=True)
class _Node:
    """What has been settled by branching so far."""

    kinds: Mapping[int, str | None] = field(default_factory=dict)
    """By pairing: the kind the person ends up with."""
    touched: Mapping[str, bool] = field(default_factory=dict)
    """By spare: whether anything is taken from it."""
    refused: frozenset[int] = frozenset()
    """Offers that are not taken."""


_UNCOVERED = -1


class _Part:
    """One part of a problem, as costs and columns of an assignment."""

    def __init__(self, problem: Problem) -> None:
        self.problem = problem
        self._sources = {source.id: source for source in problem.sources}
        self._row = {need.id: row for row, need in enumerate(problem.needs)}
        self._offers = [offer for offer in problem.offers if self._deliverable(offer)]
        self._weights = self._level_weights()
        self._slots = self._slots_of_sources()
        self._cost = np.array([self._cost_of(offer) for offer in self._offers], dtype=np.float64)
        self._open = [self._weights[_GRADE_LEVEL[need.grade]] for need in problem.needs]
        self._lay_out()

    def solve(self) -> Solution:
        """Best first: the first plan that breaks no rule is the best there is."""
        numbers = count()
        queue: list[tuple[int, int, _Node, list[int]]] = []

        def push(node: _Node) -> None:
            found = self._relaxed(node)
            if found is not None:
                heapq.heappush(queue, (self._bound(node, found), next(numbers), node, found))

        push(_Node())
        while True:
            _, _, node, chosen = heapq.heappop(queue)
            branches = self._branches(node, chosen)
            if branches is None:
                taken = {self._offers[o].need: self._offers[o] for o in chosen if o != _UNCOVERED}
                return Solution(taken, score(self.problem, taken))
            for branch in branches:
                push(branch)

    # -- costs ---------------------------------------------------------------------------------------------

    def _deliverable(self, offer: Offer) -> bool:
        capacity = self._sources[offer.source].capacity
        return capacity is None or offer.units <= capacity

    def _level_weights(self) -> list[int]:
        """A weight for each level, such that all that lower levels can add up to never reaches one of it."""
        count_ = len(self.problem.needs)
        opening = sum(source.opens is not None for source in self.problem.sources)
        most = [count_ + opening] * 3
        for name in ("misfit", "hand_overs", "purchases"):
            most.append(count_ * max((getattr(offer, name) for offer in self._offers), default=0))
        weights = [1] * len(LEVELS)
        for level in range(len(LEVELS) - 2, -1, -1):
            weights[level] = weights[level + 1] * (most[level + 1] + 1)
        if weights[0] * (most[0] + 1) * 2 > _EXACT:
            raise ValueError(f"{count_} gaps hang together; plan fewer at once, for instance one hold point")
        return weights

    def _slots_of_sources(self) -> dict[str, int]:
        """How many needs each limited source can serve at most."""
        least: dict[str, int] = {}
        wanted: defaultdict[str, int] = defaultdict(int)
        for offer in self._offers:
            least[offer.source] = min(offer.units, least.get(offer.source, offer.units))
            wanted[offer.source] += 1
        slots = {}
        for id_, units in least.items():
            capacity = self._sources[id_].capacity
            if capacity is not None:
                slots[id_] = min(capacity // units, wanted[id_])
            elif self._sources[id_].opens is not None:
                slots[id_] = wanted[id_]
        return slots

    def _cost_of(self, offer: Offer) -> int:
        weights = self._weights
        cost = offer.misfit * weights[3] + offer.hand_overs * weights[4] + offer.purchases * weights[5]
        if offer.leaves is not None:
            cost += weights[_GRADE_LEVEL[offer.leaves]]
        opens = self._sources[offer.source].opens
        if opens is not None and self._slots.get(offer.source) == 1:
            cost += weights[_GRADE_LEVEL[opens]]
        return cost

    def _lay_out(self) -> None:
        """Columns: the slots of each limited source, then one a need: uncovered, or bought."""
        first: dict[str, int] = {}
        self._own_columns = 0
        for id_, slots in sorted(self._slots.items()):
            first[id_] = self._own_columns
            self._own_columns += slots
        limited = [o for o, offer in enumerate(self._offers) if offer.source in first]
        places = [
            (self._row[self._offers[o].need], first[self._offers[o].source] + slot, o)
            for o in limited
            for slot in range(self._slots[self._offers[o].source])
        ]
        self._places = np.array(places, dtype=np.intp).reshape(-1, 3)
        self._unlimited: defaultdict[int, list[int]] = defaultdict(list)
        for o, offer in enumerate(self._offers):
            if offer.source not in first:
                self._unlimited[self._row[offer.need]].append(o)

    # -- one node ------------------------------------------------------------------------------------------

    def _relaxed(self, node: _Node) -> list[int] | None:
        """For each need the offer taken (or uncovered), leaving aside what has not been settled yet."""
        from scipy.optimize import linear_sum_assignment  # type: ignore[import-untyped]

        barred, must = self._barred(node)
        needs = len(self.problem.needs)
        costs = np.full((needs, self._own_columns + needs), np.inf)
        rows, columns, offers = self._places.T
        allowed = ~barred[offers]
        rows, columns, offers = rows[allowed], columns[allowed], offers[allowed]
        costs[rows, columns] = self._cost[offers]
        own: list[int] = []
        for row in range(needs):
            best = self._alone(row, barred, must)
            own.append(best)
            if best == _UNCOVERED and row in must:
                continue
            costs[row, self._own_columns + row] = self._open[row] if best == _UNCOVERED else self._cost[best]
        try:
            _, assigned = linear_sum_assignment(costs)
        except ValueError:
            return None
        at = (
            {(int(r), int(c)): int(o) for r, c, o in zip(rows, columns, offers, strict=True)} if needs else {}
        )
        return [
            own[row] if column >= self._own_columns else at[row, int(column)]
            for row, column in enumerate(assigned)
        ]

    def _alone(self, row: int, barred: npt.NDArray[np.bool_], must: set[int]) -> int:
        """The best for a need that competes with nobody: bought, or uncovered."""
        free = [o for o in self._unlimited[row] if not barred[o]]
        best = min(free, key=lambda o: (self._cost[o], o), default=_UNCOVERED)
        if best == _UNCOVERED or row in must:
            return best
        return best if self._cost[best] < self._open[row] else _UNCOVERED

    def _barred(self, node: _Node) -> tuple[npt.NDArray[np.bool_], set[int]]:
        """Which offers a node rules out, and which needs it says are covered."""
        barred = np.zeros(len(self._offers), dtype=bool)
        must: set[int] = set()
        barred[list(node.refused)] = True
        closed = {id_ for id_, taken in node.touched.items() if not taken}
        for o, offer in enumerate(self._offers):
            if offer.source in closed:
                barred[o] = True
        for index, kind in node.kinds.items():
            pairing = self.problem.pairings[index]
            own = kind == _KEPT
            if not own:
                must.add(self._row[pairing.lead])
            ends_with = pairing.own if own else kind
            for o, offer in enumerate(self._offers):
                if offer.need == pairing.lead and (own or offer.gives != kind):
                    barred[o] = True
                if offer.need == pairing.follow and not _suits(offer, ends_with):
                    barred[o] = True
        return barred, must

    def _bound(self, node: _Node, chosen: Sequence[int]) -> int:
        cost = sum(self._open[row] if o == _UNCOVERED else int(self._cost[o]) for row, o in enumerate(chosen))
        for id_, taken in node.touched.items():
            opens = self._sources[id_].opens
            if taken and opens is not None:
                cost += self._weights[_GRADE_LEVEL[opens]]
        return cost

    def _branches(self, node: _Node, chosen: Sequence[int]) -> list[_Node] | None:
        """How to go on from a plan that breaks a rule; None when it breaks none."""
        taken = [o for o in chosen if o != _UNCOVERED]
        for index, pairing in enumerate(self.problem.pairings):
            if index not in node.kinds and self._mismatch(pairing, chosen):
                kinds = {offer.gives for offer in self._offers if offer.need == pairing.lead}
                ways = [_KEPT, *sorted(kinds, key=str)]
                return [_Node({**node.kinds, index: kind}, node.touched, node.refused) for kind in ways]
        by_source: defaultdict[str, list[int]] = defaultdict(list)
        for o in taken:
            by_source[self._offers[o].source].append(o)
        for id_, offers in sorted(by_source.items()):
            source = self._sources[id_]
            if source.opens is not None and self._slots[id_] > 1 and id_ not in node.touched:
                ways_ = ({**node.touched, id_: yes} for yes in (True, False))
                return [_Node(node.kinds, touched, node.refused) for touched in ways_]
            if source.capacity is not None and sum(self._offers[o].units for o in offers) > source.capacity:
                return [_Node(node.kinds, node.touched, node.refused | {o}) for o in offers]
        return None

    def _mismatch(self, pairing: Pairing, chosen: Sequence[int]) -> bool:
        lead, follow = chosen[self._row[pairing.lead]], chosen[self._row[pairing.follow]]
        if follow == _UNCOVERED:
            return False
        ends_with = pairing.own if lead == _UNCOVERED else self._offers[lead].gives
        return not _suits(self._offers[follow], ends_with)


_KEPT = "\0kept"
"""In a branch: the lead gap stays uncovered."""


def _suits(offer: Offer, kind: str | None) -> bool:
    return offer.goes_with is None or (kind is not None and kind in offer.goes_with)


def describe(found: Score) -> dict[str, int]:
    """A score by the names of its levels."""
    return dict(zip(LEVELS, found, strict=True))
