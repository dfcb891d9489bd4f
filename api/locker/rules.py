"""Rules of the locker: life of protective gear, what may be offered when, what suits what. Pure.

The maker's own text is the primary source for a thing's life (UIAA 106, recommendations for inspection and
retirement: https://docsbay.net/uiaa-standard-101-dynamic-ropes), so limits are what was entered from it.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from typing import Any

from api.journal.kinds import Answer
from api.locker.sizes import Measure

DAYS_PER_YEAR = 365.25


# -- protective gear -----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class PpeKind:
    """A kind of personal protective equipment and the standard it is made to."""

    name: str
    category: str
    """Of Regulation (EU) 2016/425, Annex I: III is against death or irreversible harm."""
    standard: str
    ages: bool
    """Ages even unused, so that its life must be known."""


PPE_KINDS: dict[str, PpeKind] = {
    "crampons": PpeKind("Crampons", "II", "EN 893, UIAA 153", False),
    "helmet": PpeKind("Helmet", "II", "EN 12492, UIAA 106", True),
    "ice-axe": PpeKind("Ice axe or tool", "", "EN 13089, UIAA 152", False),
    "harness": PpeKind("Harness", "III", "EN 12277, UIAA 105", True),
    "rope": PpeKind("Dynamic rope", "III", "EN 892, UIAA 101", True),
    "connector": PpeKind("Connector", "III", "EN 12275, UIAA 121", False),
    "sling": PpeKind("Sling", "III", "EN 566, UIAA 104", True),
    "cord": PpeKind("Accessory cord", "III", "EN 564, UIAA 102", True),
    "rope-clamp": PpeKind("Rope clamp", "III", "EN 567, UIAA 126", False),
    "ice-screw": PpeKind("Ice screw", "III", "EN 568, UIAA 151", False),
    "goggles": PpeKind("Goggles", "I", "EN ISO 18527-1", False),
    "sunglasses": PpeKind("Sunglasses", "I", "EN ISO 12312-1", False),
}
"""Crampons are category II, not III: CEN on EN 893:2019,
https://www.cen.eu/news/brief-news/Pages/EN-2019-031.aspx. Categories without a source found stay empty."""

YEARLY = 12
"""Months between examinations by a competent person, where EN 365 and makers' texts ask for them; the
Regulation itself sets no interval:
https://www.lineevita.it/en/ppe-maintenance-and-legislative-decree-81-2008-did-you-know-that"""


@dataclass(frozen=True, slots=True)
class Item:
    """A thing of the locker as rules see it."""

    id: str
    what: str
    meets: tuple[str, ...]
    size: str = ""
    sized_by: Measure = Measure.NONE
    weight_g: float | None = None
    answers: Mapping[str, Answer] = field(default_factory=dict)
    traits: Mapping[str, str] = field(default_factory=dict)
    counted: bool = False
    quantity: int = 1
    protective: str | None = None
    made: date | None = None
    bought: date | None = None
    first_use: date | None = None
    days_used: int = 0
    inspected_on: date | None = None
    inspect_months: int | None = None
    years_from_made: float | None = None
    years_from_first_use: float | None = None
    retire_by: date | None = None
    limit_source: str = ""
    quarantined_at: datetime | None = None
    quarantine_reason: str = ""
    retired_on: date | None = None
    retired_reason: str = ""
    place: str = ""
    remark: str = ""

    @property
    def ppe(self) -> PpeKind | None:
        return PPE_KINDS.get(self.protective) if self.protective else None


@dataclass(frozen=True, slots=True)
class Life:
    """How long a thing may be used, with the reasons in words."""

    until: date | None
    """Last day; None: no limit was entered and none is needed, or it is not known (then `known` is False)."""
    known: bool
    reasons: tuple[str, ...]


def life(item: Item) -> Life:
    """The earliest of the limits that were entered for a thing."""
    limits: list[tuple[date, str]] = []
    if item.retire_by is not None:
        limits.append((item.retire_by, f"retire by {_written(item.retire_by)}, as entered"))
    for years, since, what in (
        (item.years_from_made, item.made, "made"),
        (item.years_from_first_use, item.first_use, "first used"),
    ):
        if years is not None and since is not None:
            ends = since + timedelta(days=round(years * DAYS_PER_YEAR))
            limits.append((ends, f"{years:g} years from when it was {what} ({_written(since)})"))
    source = f"Limit from: {item.limit_source}." if item.limit_source else ""
    if limits:
        until, says = min(limits)
        return Life(until, True, tuple(filter(None, (f"Usable until {_written(until)}: {says}.", source))))
    if item.years_from_first_use is not None and item.years_from_made is None:
        return Life(None, True, (f"{item.years_from_first_use:g} years from first use; not used yet.",))
    if item.ppe is not None and item.ppe.ages:
        lacking = "when it was made" if item.made is None else "the maker's limit"
        return Life(None, False, (f"Not known how old it may get: {lacking} is missing.",))
    return Life(None, True, ())


def months_between_inspections(item: Item) -> int | None:
    """How often a thing is examined: as entered, else yearly for category III only."""
    if item.inspect_months is not None:
        return item.inspect_months
    return YEARLY if item.ppe is not None and item.ppe.category == "III" else None


def inspection_due(item: Item) -> date | None:
    """The last day before the next examination is due; None when none is asked.

    Counted from the last examination, else from when it was bought or made; a thing without any such date has
    been due since ever.
    """
    months = months_between_inspections(item)
    if months is None:
        return None
    since = item.inspected_on or item.bought or item.made
    return date.min if since is None else since + timedelta(days=round(months * DAYS_PER_YEAR / 12))


# -- availability --------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Claim:
    """A promise or hand-out of a locker item on some trip."""

    trip: str
    trip_name: str
    loan: str
    state: str
    """`promised` or `out`; other states claim nothing."""
    units: int
    from_on: date
    until_on: date


@dataclass(frozen=True, slots=True)
class Availability:
    """How much of an item can be had over some days, and what stands against more, in words."""

    free: int
    against: tuple[str, ...]

    @property
    def any(self) -> bool:
        return self.free > 0


def availability(
    item: Item, claims: Iterable[Claim], first: date, last: date, *, today: date
) -> Availability:
    """What of an item can be offered for the days `first` to `last`, both included.

    A thing in quarantine, retired, past its life, due for examination, or overdue is never offered; nor is
    one promised or handed out on overlapping days. What comes back on the day another trip starts is not back
    yet: returns are wet, or late.
    """
    against = list(barred(item, first, last))
    if against:
        return Availability(0, tuple(against))
    taken = 0
    for claim in sorted(claims, key=lambda claim: (claim.from_on, claim.trip, claim.loan)):
        if claim.state not in ("promised", "out"):
            continue
        overdue = claim.state == "out" and claim.until_on < today
        begun = claim.state == "out" or claim.from_on <= last
        if overdue or (begun and first <= claim.until_on):
            taken += claim.units
            against.append(_claim_in_words(claim, overdue=overdue))
    return Availability(max(item.quantity - taken, 0), tuple(against))


def barred(item: Item, first: date, last: date) -> Iterable[str]:
    """Why a thing can be used by nobody over some days, in words."""
    if item.retired_on is not None:
        yield f"Retired on {_written(item.retired_on)}: {item.retired_reason}"
    if item.quarantined_at is not None:
        yield f"In quarantine since {_written(item.quarantined_at.date())}: {item.quarantine_reason}"
    span = life(item)
    if not span.known or (span.until is not None and span.until < last):
        yield " ".join(span.reasons)
    due = inspection_due(item)
    if due is not None and due < last:
        since = "never examined" if due == date.min else f"due by {_written(due)}"
        yield f"Examination by a competent person: {since}."


def _written(on: date) -> str:
    return f"{on.day} {on:%B %Y}"


def _claim_in_words(claim: Claim, *, overdue: bool) -> str:
    count = f"{claim.units} " if claim.units > 1 else ""
    if overdue:
        return f"{count}overdue from {claim.trip_name} since {_written(claim.until_on)}"
    word = "promised to" if claim.state == "promised" else "out with"
    return f"{count}{word} {claim.trip_name}, {_written(claim.from_on)} to {_written(claim.until_on)}"


# -- what suits what -----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Suits:
    """A rule that a thing must suit another the same person uses."""

    trait: str
    """The trait of the thing that follows: `binding` of crampons."""
    question: str
    """The fitness question whose answer says what the other is: `stiffness` of boots."""
    allowed: Mapping[str, frozenset[str]]
    """For each value of the trait, the answers it suits."""
    says: str
    source: str


CRAMPON_TO_BOOT = Suits(
    trait="binding",
    question="stiffness",
    allowed={
        "c1": frozenset({"b1", "b2", "b3"}),
        "c2": frozenset({"b2", "b3"}),
        "c3": frozenset({"b3"}),
    },
    says="Strap-on crampons (C1) go on B1 to B3 boots, heel levers (C2) need the ledge of a B2 or B3, "
    "toe wires (C3) both ledges of a B3. A flexible boot takes none.",
    source="https://thenextchallenge.org/boot-crampon-ratings",
)
SUITS: tuple[Suits, ...] = (CRAMPON_TO_BOOT,)


def goes_with(traits: Mapping[str, str]) -> frozenset[str] | None:
    """The kinds of the other thing that a thing with these traits suits; None when it need not suit any.

    A thing that must suit another but whose trait has an unknown value suits nothing.
    """
    for rule in SUITS:
        if rule.trait in traits:
            return rule.allowed.get(traits[rule.trait], frozenset())
    return None


def state_of(item: Item, claims: Iterable[Claim], today: date) -> str:
    """One word for a list: retired, quarantine, ended, due, overdue, out, promised, or free."""
    if item.retired_on is not None:
        return "retired"
    if item.quarantined_at is not None:
        return "quarantine"
    span = life(item)
    if not span.known or (span.until is not None and span.until < today):
        return "ended"
    due = inspection_due(item)
    if due is not None and due < today:
        return "due"
    live = [claim for claim in claims if claim.state in ("promised", "out")]
    if any(claim.state == "out" and claim.until_on < today for claim in live):
        return "overdue"
    now = [claim for claim in live if claim.state == "out" or claim.until_on >= today]
    if sum(claim.units for claim in now) < item.quantity:
        return "free"
    return "out" if any(claim.state == "out" for claim in now) else "promised"


def changed(before: Item, after: Item) -> list[str]:
    """What differs between two states of a thing, in words."""
    return [
        f"{name.replace('_', ' ')}: {_shown(old)} → {_shown(new)}"
        for name in before.__dataclass_fields__
        if (old := getattr(before, name)) != (new := getattr(after, name))
    ]


def _shown(value: Any) -> str:
    if isinstance(value, Mapping):
        return ", ".join(f"{key} {one}" for key, one in sorted(value.items())) or "nothing"
    if isinstance(value, tuple):
        return ", ".join(map(str, value)) or "nothing"
    return "nothing" if value in (None, "") else str(value)
