"""Sharing out group gear: who carries what, balanced by what each can carry. Pure.

Heaviest first to whoever is then the least laden for what they can carry, then moves and swaps while these
make the most laden less so. The same input gives the same proposal on every machine.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import permutations


@dataclass(frozen=True, slots=True)
class Load:
    """One unit of group gear to be carried."""

    subject: str
    """Whose gear it is: a rope id, or `party`."""
    requirement: str
    unit: int
    weight_g: float
    apart: bool = False
    """Units of this requirement are kept in different packs where that can be."""

    @property
    def key(self) -> tuple[str, str, int]:
        return self.subject, self.requirement, self.unit


@dataclass(frozen=True, slots=True)
class Carrier:
    """Someone who carries: how much more they say they can take, g, and whose gear they may take."""

    member: str
    capacity_g: float
    subjects: frozenset[str]
    carries_g: float = 0.0
    """Group gear they carry already and keep."""


@dataclass(frozen=True, slots=True)
class Proposal:
    """Who would carry what. `fullest` is the largest share of anyone's capacity; over 1: more than stated."""

    carriers: Mapping[tuple[str, str, int], str]
    weights_g: Mapping[str, float]
    fullest: float
    left: tuple[Load, ...] = ()
    """What nobody may carry."""


@dataclass(frozen=True, slots=True)
class _Change:
    """One load from one pack to another, for another one back or for none."""

    giver: str
    taker: str
    give: Load
    back: Load | None


@dataclass
class _Packs:
    carriers: dict[str, Carrier]
    held: dict[str, list[Load]] = field(default_factory=dict)
    weights: dict[str, float] = field(default_factory=dict)

    def fill(self, member: str, more_g: float = 0.0) -> float:
        return (self.weights[member] + more_g) / self.carriers[member].capacity_g

    def put(self, load: Load, member: str) -> None:
        self.held[member].append(load)
        self.weights[member] += load.weight_g

    def fills(self) -> list[float]:
        """How full the packs are, the fullest first; rounded, so that a change must be worth something."""
        return sorted((round(self.fill(member), 9) for member in self.carriers), reverse=True)

    def do(self, change: "_Change") -> None:
        self._move(change.give, change.giver, change.taker)
        if change.back is not None:
            self._move(change.back, change.taker, change.giver)

    def undo(self, change: "_Change") -> None:
        self._move(change.give, change.taker, change.giver)
        if change.back is not None:
            self._move(change.back, change.giver, change.taker)

    def _move(self, load: Load, giver: str, taker: str) -> None:
        self.held[giver].remove(load)
        self.held[taker].append(load)
        self.weights[giver] -= load.weight_g
        self.weights[taker] += load.weight_g

    def clash(self, load: Load, member: str) -> int:
        """How many of the same that belong apart they would have."""
        if not load.apart:
            return 0
        return sum((h.subject, h.requirement) == (load.subject, load.requirement) for h in self.held[member])


def share_out(loads: Sequence[Load], carriers: Sequence[Carrier]) -> Proposal:
    """A balanced proposal.

    Parameters
    ----------
    loads
        Units to be given out, each of at least 0 g.
    carriers
        Who may carry; a capacity must be above 0.

    Raises
    ------
    ValueError
        A capacity is not above 0, or a weight is negative.
    """
    if any(c.capacity_g <= 0 for c in carriers) or any(load.weight_g < 0 for load in loads):
        raise ValueError("every capacity must be above 0 g, and no weight below 0 g")
    packs = _Packs(
        {c.member: c for c in carriers},
        {c.member: [] for c in carriers},
        {c.member: c.carries_g for c in carriers},
    )
    left = []
    for load in sorted(loads, key=lambda load: (-load.weight_g, load.key)):
        may = [c.member for c in carriers if load.subject in c.subjects]
        if not may:
            left.append(load)
            continue
        packs.put(load, min(may, key=lambda m: (packs.clash(load, m), packs.fill(m, load.weight_g), m)))
    while _improve(packs):
        pass
    return Proposal(
        {load.key: member for member, held in packs.held.items() for load in held},
        dict(packs.weights),
        max((packs.fill(member) for member in packs.carriers), default=0.0),
        tuple(left),
    )


def _improve(packs: _Packs) -> bool:
    """The move or swap that makes the fullest pack, then the next fullest and so on, least full; if any."""
    least, best = packs.fills(), None
    for change in _changes(packs):
        packs.do(change)
        fills = packs.fills()
        packs.undo(change)
        if fills < least:
            least, best = fills, change
    if best is not None:
        packs.do(best)
    return best is not None


def _changes(packs: _Packs) -> Iterator[_Change]:
    members = sorted(packs.carriers)
    for giver, taker in permutations(members, 2):
        for give in sorted(packs.held[giver], key=lambda load: load.key):
            if give.subject not in packs.carriers[taker].subjects or packs.clash(give, taker):
                continue
            yield _Change(giver, taker, give, None)
            for back in sorted(packs.held[taker], key=lambda load: load.key):
                swaps = giver < taker and back.weight_g != give.weight_g
                allowed = back.subject in packs.carriers[giver].subjects and not packs.clash(back, giver)
                if swaps and allowed:
                    yield _Change(giver, taker, give, back)
