"""What is counted for one requirement over many people, and the words its codes stand for. Pure.

A cell of the review is a vector of whole counts, one for each measure. Vectors of disjoint groups add up, so
a review of any choice of trips is a sum.
"""

from __future__ import annotations

from api.journal.kinds import Known
from api.journal.trip import HoldKind

KNOWN: tuple[str, ...] = tuple(known.value for known in Known if known is not Known.UNKNOWN)
"""How a gap was known when it was found."""
HOLDS: tuple[str, ...] = tuple(hold.value for hold in HoldKind)
COVERED: tuple[str, ...] = ("own", "lent", "shared", "bought", "not-asked", "left", "open")
"""What met a gap: what the person had or put right, the locker, someone else, a shop; conditions that asked
no more; the person left; or nothing, it was open at the end."""
OPEN = COVERED.index("open")

DURATION_BINS_H: tuple[float, ...] = (1, 2, 4, 8, 12, 18, 24, 36, 48, 72, 96, 168)
"""Upper edges of the classes in which times to clear are counted [h]; the last class has no upper edge."""

MEASURES: tuple[str, ...] = (
    "asked",
    "lacking",
    *(f"known-{known}" for known in KNOWN),
    *(f"hold-{hold}" for hold in HOLDS),
    *(f"covered-{covered}" for covered in COVERED),
    "accepted",
    "carried-past",
    "came-back",
    "late",
    "surprise",
    "said-fine",
    "said-fine-checked",
    "said-fine-wrong",
    *(f"closed-{edge:g}" for edge in DURATION_BINS_H),
    *(f"censored-{edge:g}" for edge in DURATION_BINS_H),
)
AT: dict[str, int] = {name: place for place, name in enumerate(MEASURES)}
"""Where each measure stands in a vector."""

DIMENSIONS: tuple[str, ...] = (
    "season",
    "month",
    "route",
    "edition",
    "kind",
    "lead",
    "booking",
    "rental",
)
"""What trips and people are told apart by."""

LEADS: tuple[tuple[str, int], ...] = (
    ("under 2 weeks", 14),
    ("2 to 6 weeks", 42),
    ("6 weeks to 4 months", 120),
    ("over 4 months", 100_000),
)
"""Classes of the days between a person's place on the trip and its first day."""
NOT_SAID = "not said"


def lead_class(days: int) -> str:
    """The class of a lead time in days."""
    return next(label for label, under in LEADS if days < under)


def duration_bin(hours: float) -> int:
    """The class of a time to clear [h]."""
    return next((at for at, edge in enumerate(DURATION_BINS_H) if hours <= edge), len(DURATION_BINS_H) - 1)
