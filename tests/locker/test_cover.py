"""The cover plan's optimum: against trying everything, and rule by rule."""

import random
from collections import Counter
from collections.abc import Iterator, Mapping
from itertools import product

import pytest

from api.kitlist.schemas import Grade
from api.locker.cover import Planner, Score, score, solve
from api.locker.problem import Need, Offer, Pairing, Problem, Source

CASES = 2_000
STOP, FIX, ADVISE = Grade.STOP, Grade.FIX, Grade.ADVISE
LIGHTER: dict[Grade, tuple[Grade | None, ...]] = {
    STOP: (None, None, FIX, ADVISE),
    FIX: (None, None, ADVISE),
    ADVISE: (None,),
}
BOOTS = ("b1", "b2", "b3")


def case(seed: int) -> Problem:
    """A small problem with everything in it: stocks, spares that open a gap, shops, crampons and boots."""
    chance = random.Random(seed)
    needs = [Need(f"n{i}", chance.choice(list(Grade))) for i in range(chance.randint(1, 5))]
    sources = [
        Source(
            f"s{i}",
            capacity=chance.choice([1, 1, 1, 2, 3, None]),
            opens=chance.choice([None, None, None, *Grade]),
        )
        for i in range(chance.randint(0, 5))
    ]
    pairings = []
    if len(needs) > 1 and chance.random() < 0.5:
        pairings.append(Pairing("n0", "n1", chance.choice([None, *BOOTS])))
    if len(needs) > 3 and chance.random() < 0.5:
        pairings.append(Pairing("n2", "n3", chance.choice([None, *BOOTS])))
    leads, follows = {p.lead for p in pairings}, {p.follow for p in pairings}
    offers = [
        Offer(
            need.id,
            source.id,
            units=chance.choice([1, 1, 1, 2, 3]),
            leaves=chance.choice(LIGHTER[need.grade]),
            misfit=chance.choice([0, 0, 1, 2]),
            hand_overs=chance.choice([0, 1, 1, 2]),
            purchases=int(source.capacity is None),
            gives=chance.choice([*BOOTS, None]) if need.id in leads else None,
            goes_with=frozenset(chance.sample(BOOTS, chance.randint(1, 3))) if need.id in follows else None,
        )
        for need in needs
        for source in sources
        if chance.random() < 0.7
    ]
    chance.shuffle(offers)
    return Problem(tuple(needs), tuple(sources), tuple(offers), tuple(pairings))


def possible(problem: Problem) -> Iterator[dict[str, Offer]]:
    """Every plan that keeps the rules, by trying all."""
    ways = [[None, *(o for o in problem.offers if o.need == need.id)] for need in problem.needs]
    for way in product(*ways):
        taken = {offer.need: offer for offer in way if offer is not None}
        if keeps_the_rules(problem, taken):
            yield taken


def keeps_the_rules(problem: Problem, taken: Mapping[str, Offer]) -> bool:
    used = Counter[str]()
    for offer in taken.values():
        used[offer.source] += offer.units
    if any(s.capacity is not None and used[s.id] > s.capacity for s in problem.sources):
        return False
    for pairing in problem.pairings:
        crampon, boot = taken.get(pairing.follow), taken.get(pairing.lead)
        if crampon is not None and crampon.goes_with is not None:
            ends_with = boot.gives if boot is not None else pairing.own
            if ends_with not in crampon.goes_with:
                return False
    return True


def cost(problem: Problem, taken: Mapping[str, Offer]) -> Score:
    """The levels, each counted for itself."""
    left = [taken[n.id].leaves if n.id in taken else n.grade for n in problem.needs]
    left += [s.opens for s in problem.sources if any(o.source == s.id for o in taken.values())]
    return (
        left.count(STOP),
        left.count(FIX),
        left.count(ADVISE),
        sum(offer.misfit for offer in taken.values()),
        sum(offer.hand_overs for offer in taken.values()),
        sum(offer.purchases for offer in taken.values()),
    )


class TestAgainstTryingEverything:
    def test_equals_brute_force(self) -> None:
        covered = coupled = 0
        for seed in range(CASES):
            problem = case(seed)
            found = solve(problem)
            best = min(cost(problem, taken) for taken in possible(problem))
            assert found.score == best, seed
            assert cost(problem, found.taken) == best, seed
            assert keeps_the_rules(problem, found.taken), seed
            covered += bool(found.taken)
            coupled += bool(problem.pairings) and any(o.goes_with for o in found.taken.values())
        assert covered > CASES / 2, "the cases must be worth solving"
        assert coupled > CASES / 20, "boots and crampons must matter in some"

    def test_gain_of_one_more_thing_equals_solving_again(self) -> None:
        helped = 0
        for seed in range(300):
            problem = case(seed)
            planner = Planner(problem)
            extra = Source("extra")
            offers = tuple(Offer(need.id, "extra") for need in problem.needs[::2])
            wider = Problem(
                problem.needs, (*problem.sources, extra), (*problem.offers, *offers), problem.pairings
            )
            after = min(cost(wider, taken) for taken in possible(wider))
            gain = planner.gain(extra, offers)
            assert gain == tuple(a - b for a, b in zip(planner.solution.score, after, strict=True)), seed
            helped += gain > (0,) * 6
        assert helped > 50

    @pytest.mark.parametrize("seed", range(40))
    def test_order_makes_no_difference(self, seed: int) -> None:
        problem = case(seed)
        turned = Problem(problem.needs[::-1], problem.sources[::-1], problem.offers[::-1], problem.pairings)
        assert solve(turned) == solve(problem)


class TestLevels:
    def test_one_stop_outweighs_many_fixes(self) -> None:
        """The only stock of three goes to the stop although it would clear three fixes."""
        needs = (Need("stop", STOP), *(Need(f"fix{i}", FIX) for i in range(3)))
        offers = (
            Offer("stop", "cells", units=3, misfit=2, hand_overs=2),
            *(Offer(f"fix{i}", "cells") for i in range(3)),
        )
        found = solve(Problem(needs, (Source("cells", 3),), offers))
        assert set(found.taken) == {"stop"}
        assert found.score == (0, 3, 0, 2, 2, 0)

    def test_one_thing_for_one_person(self) -> None:
        needs = (Need("ann", STOP), Need("bo", STOP))
        found = solve(Problem(needs, (Source("parka"),), (Offer("ann", "parka"), Offer("bo", "parka"))))
        assert found.score[0] == 1

    def test_giving_way_so_that_both_are_covered(self) -> None:
        """The one who fits the rare thing only gets it, although the other would fit it better."""
        needs = (Need("any", FIX), Need("only-l", FIX))
        offers = (Offer("any", "l"), Offer("any", "m", misfit=2), Offer("only-l", "l", misfit=1))
        found = solve(Problem(needs, (Source("l"), Source("m")), offers))
        assert {need: offer.source for need, offer in found.taken.items()} == {"any": "m", "only-l": "l"}

    def test_a_spare_is_not_robbed_for_nothing(self) -> None:
        """Closing one advice by opening another is no gain, so nothing changes hands."""
        problem = Problem((Need("hat", ADVISE),), (Source("spare", 2, ADVISE),), (Offer("hat", "spare"),))
        assert solve(problem).taken == {}

    def test_a_spare_opened_once_serves_again(self) -> None:
        needs = (Need("hat1", ADVISE), Need("hat2", ADVISE))
        offers = (Offer("hat1", "spare"), Offer("hat2", "spare"))
        found = solve(Problem(needs, (Source("spare", 2, ADVISE),), offers))
        assert len(found.taken) == 2
        assert found.score[:3] == (0, 0, 1)


class TestBootsAndCrampons:
    NEEDS = (Need("boots", STOP), Need("crampons", STOP))

    def test_crampons_that_suit_the_new_boots(self) -> None:
        offers = (
            Offer("boots", "b1-pair", gives="b1"),
            Offer("boots", "b3-pair", gives="b3", misfit=2),
            Offer("crampons", "step-in", goes_with=frozenset({"b3"})),
        )
        sources = (Source("b1-pair"), Source("b3-pair"), Source("step-in"))
        found = solve(Problem(self.NEEDS, sources, offers, (Pairing("boots", "crampons", "b1"),)))
        assert found.taken["boots"].source == "b3-pair"
        assert found.score[:3] == (0, 0, 0)

    def test_no_crampons_for_boots_they_do_not_suit(self) -> None:
        offers = (Offer("crampons", "step-in", goes_with=frozenset({"b3"})),)
        found = solve(
            Problem(self.NEEDS, (Source("step-in"),), offers, (Pairing("boots", "crampons", "b1"),))
        )
        assert found.taken == {}

    def test_one_pair_of_boots_clears_two_stops(self) -> None:
        offers = (Offer("crampons", "step-in", goes_with=frozenset({"b3"})),)
        planner = Planner(
            Problem(self.NEEDS, (Source("step-in"),), offers, (Pairing("boots", "crampons", "b1"),))
        )
        gain = planner.gain(Source("more"), (Offer("boots", "more", gives="b3"),))
        assert gain[0] == 2


class TestWhatCannotBePlanned:
    def test_unknown_source(self) -> None:
        with pytest.raises(ValueError, match="not in the problem"):
            solve(Problem((Need("ann", STOP),), (), (Offer("ann", "parka"),)))

    def test_one_offer_twice(self) -> None:
        offers = (Offer("ann", "parka"), Offer("ann", "parka", misfit=1))
        with pytest.raises(ValueError, match="twice"):
            solve(Problem((Need("ann", STOP),), (Source("parka"),), offers))

    def test_more_than_can_be_weighed_exactly(self) -> None:
        needs = tuple(Need(f"n{i:04}", STOP) for i in range(400))
        offers = tuple(Offer(n.id, "cells", misfit=2, hand_overs=2, purchases=1) for n in needs)
        with pytest.raises(ValueError, match="one hold point"):
            solve(Problem(needs, (Source("cells", 400),), offers))

    def test_nothing_to_plan(self) -> None:
        assert solve(Problem((), (), ())).score == (0, 0, 0, 0, 0, 0)

    def test_score_is_what_it_says(self) -> None:
        problem = case(7)
        found = solve(problem)
        assert score(problem, found.taken) == cost(problem, found.taken)
