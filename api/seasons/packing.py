"""How numbers of the review lie packed in one value, little-endian on every machine. Pure."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import numpy.typing as npt

from api.journal.trip import Role, Terrain
from api.kitlist.metrics import CONDITION_METRICS

METRIC_NAMES: tuple[str, ...] = tuple(sorted(CONDITION_METRICS))
LAYERS: tuple[tuple[str, str], ...] = tuple(
    (name, side)
    for name in METRIC_NAMES
    for side in (("low", "high") if CONDITION_METRICS[name].span == "hour" else ("low",))
)
"""Lowest and highest value on the stage; one layer for metrics with one value a stage."""
LAYER_AT: dict[tuple[str, str], int] = {layer: at for at, layer in enumerate(LAYERS)}

CELLS: tuple[str, ...] = ("usual", "high-point", "base", "camp", "stage-high", "terrain", "ahead")
"""What is kept of each stage of an epoch besides metrics; terrain is a sum of bits."""

ASKED, SAID_FINE, CHECKED, LACKING, SAID_WRONG = 1, 2, 4, 8, 16
"""Bits of a member's state."""
ACCEPTED, CARRIED, CAME_BACK, LATE, SURPRISE, CLOSED = 1, 2, 4, 8, 16, 32
"""Bits of a gap."""

GAP = np.dtype(
    [
        ("member", "<u2"),
        ("known", "u1"),
        ("hold", "u1"),
        ("grade", "u1"),
        ("covered", "u1"),
        ("bits", "u1"),
        ("found", "u1"),
        ("opened_min", "<i4"),
        ("open_min", "<i4"),
    ]
)
"""One gap: whose, how known when found, at which hold point, how it was met, when it opened (minutes from the
start of the trip) and for how long it was open. `found`: 0 office, 1 hands-on, 2 on the mountain."""

HOLDING = np.dtype([("member", "<u2"), ("payload", "<u2"), ("seq", "<i4"), ("minute", "<i4")])
"""From an entry on, what was known of a thing; `payload` is a place in the list of distinct records."""

MEMBER = np.dtype([("role", "<i4"), ("joined", "<i4"), ("left", "<i4")])
"""A member's place in the order of roles, and from which entry to which they were on the trip."""
STAYED = 2**31 - 1
"""Who never left."""
ROLES: tuple[str, ...] = tuple(role.value for role in Role)

EPOCH = np.dtype([("seq", "<i4"), ("minute", "<i4"), ("stages", "<i4")])

Counts = npt.NDArray[np.int64]


def layer_of(metric: str, side: str) -> int:
    """The layer of a metric's lowest or highest value."""
    return LAYER_AT.get((metric, side), LAYER_AT[metric, "low"])


def terrain_bits(terrain: Iterable[Terrain]) -> int:
    """Traits of the ground as a sum of bits."""
    order = list(Terrain)
    return sum(1 << order.index(trait) for trait in set(terrain))
