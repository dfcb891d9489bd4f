"""What a cover plan is worked out from: gaps, sources, what each source can do for each gap. Values only."""

from dataclasses import dataclass

from api.kitlist.schemas import Grade


@dataclass(frozen=True, slots=True)
class Need:
    """A gap to be covered."""

    id: str
    grade: Grade


@dataclass(frozen=True, slots=True)
class Source:
    """Something that can cover a gap. `capacity` None: as many as wanted, as in a shop."""

    id: str
    capacity: int | None = 1
    opens: Grade | None = None
    """The grade of the gap that opens at the giver when anything is taken."""


@dataclass(frozen=True, slots=True)
class Offer:
    """One source for one gap."""

    need: str
    source: str
    units: int = 1
    leaves: Grade | None = None
    """What remains of the gap all the same, lighter than before; None: nothing."""
    misfit: int = 0
    """0 fits; 1 fits at the edge of its allowance; 2 to be tried first, because something is not known."""
    hand_overs: int = 1
    purchases: int = 0
    gives: str | None = None
    """For a thing others must suit (a boot): its kind, such as `b2`."""
    goes_with: frozenset[str] | None = None
    """For a thing that must suit another (a crampon): the kinds it suits; None: any."""


@dataclass(frozen=True, slots=True)
class Pairing:
    """Two gaps of one person that must be covered by things that suit each other."""

    lead: str
    """The gap whose cover the other must suit: the boots."""
    follow: str
    own: str | None
    """The kind the person has while the lead gap stays uncovered; None: nothing that anything suits."""


@dataclass(frozen=True, slots=True)
class Problem:
    """All gaps, sources and offers of one plan."""

    needs: tuple[Need, ...]
    sources: tuple[Source, ...]
    offers: tuple[Offer, ...]
    pairings: tuple[Pairing, ...] = ()
