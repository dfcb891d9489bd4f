"""From packed facts to counts. Pure: what is counted of a trip can be taken off again exactly."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import NamedTuple

import numpy as np

from api.seasons import packing
from api.seasons.measures import AT, COVERED, DURATION_BINS_H, HOLDS, KNOWN, MEASURES, duration_bin


class Cell(NamedTuple):
    """What a group of people on like trips can be told apart by."""

    season: int
    month: int
    route: str
    edition: str
    kind: str
    lead: str
    booking: str
    rental: str


class TripCell(NamedTuple):
    """How many trips are alike in all that trips can be told apart by."""

    season: int
    month: int
    route: str
    edition: str
    kind: str
    trips: int


class Contribution(NamedTuple):
    """What one trip adds to a cell."""

    people: int
    counts: packing.Counts


class Packed(NamedTuple):
    """One requirement of a trip, as it is kept."""

    requirement: str
    states: bytes
    gaps: bytes


def contributions(
    season: int,
    month: int,
    route: str,
    edition: str,
    kind: str,
    people: Sequence[Sequence[object]],
    facts: Mapping[str, Packed],
    requirements: Sequence[str],
) -> dict[Cell, Contribution]:
    """What a trip adds, by cell.

    Parameters
    ----------
    people
        [role, lead class, booking, rental] of each member, in the order of the facts.
    facts
        Packed facts by requirement id.
    requirements
        Ids of the edition's requirements; counts have shape [requirement, measure].
    """
    trip = (season, month, route, edition, kind)
    cells = [Cell(*trip, str(lead), str(booking), str(rental)) for _, lead, booking, rental in people]
    order = {cell: at for at, cell in enumerate(dict.fromkeys(cells))}
    group = np.array([order[cell] for cell in cells], dtype=np.int64)
    counts = np.zeros((len(order), len(requirements), len(MEASURES)), dtype=np.int64)
    for r, requirement in enumerate(requirements):
        if requirement in facts:
            _count(counts[:, r], group, facts[requirement])
    sizes = np.bincount(group, minlength=len(order))
    return {cell: Contribution(int(sizes[at]), counts[at]) for cell, at in order.items()}


def _count(into: packing.Counts, group: packing.Counts, packed: Packed) -> None:
    """Add one requirement's people and gaps to [cell, measure]."""
    states = np.frombuffer(packed.states, dtype=np.uint8)
    for measure, bits in (
        ("asked", packing.ASKED),
        ("lacking", packing.LACKING),
        ("said-fine", packing.SAID_FINE),
        ("said-fine-checked", packing.SAID_FINE | packing.CHECKED),
        ("said-fine-wrong", packing.SAID_FINE | packing.CHECKED | packing.SAID_WRONG),
    ):
        np.add.at(into[:, AT[measure]], group[(states & bits) == bits], 1)
    for gap in np.frombuffer(packed.gaps, dtype=packing.GAP):
        for measure in measures_of(gap):
            into[group[gap["member"]], AT[measure]] += 1


def measures_of(gap: np.void) -> list[str]:
    """The measures that one gap adds to, besides `lacking`."""
    bits = int(gap["bits"])
    closed = bool(bits & packing.CLOSED)
    edge = DURATION_BINS_H[duration_bin(float(gap["open_min"]) / 60)]
    found = [
        f"known-{KNOWN[gap['known']]}",
        f"hold-{HOLDS[gap['hold']]}",
        f"covered-{COVERED[gap['covered']]}",
        f"{'closed' if closed else 'censored'}-{edge:g}",
    ]
    named = (
        ("accepted", packing.ACCEPTED),
        ("carried-past", packing.CARRIED),
        ("came-back", packing.CAME_BACK),
        ("late", packing.LATE),
        ("surprise", packing.SURPRISE),
    )
    return found + [name for name, bit in named if bits & bit]
