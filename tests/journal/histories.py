"""Made-up histories: several phones that each know a part of a journal, write in knowledge of it, and
sometimes meet.

All of it is invented. A history is a function of what hypothesis draws, ids and moments included.
"""

from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from uuid import UUID

from hypothesis import strategies as st

from api.journal.decisions import HoursSet
from api.journal.entry import Actor, Entry
from api.journal.fold import heads
from api.journal.kinds import (
    AnyBody,
    ForecastReceived,
    GearState,
    HoldPassed,
    IntentionTold,
    Known,
    MemberLeft,
    MemberSet,
    NightTold,
    Remark,
    RopesSet,
    Sighting,
    TripPlanned,
    Withdrawn,
)
from api.journal.trip import Effort, MemberProfile, Night, Place, Role, RopeTeam, Stage, Terrain, TripPlan

START = datetime(2026, 7, 14, 4, 30, tzinfo=UTC)
PHONES = 3
PEOPLE = ("mara", "tobin", "ilka")
ITEMS = ("helmet", "mitts")
KINDS = (
    "sighting",
    "sighting",
    "sighting",
    "withdraw",
    "member",
    "left",
    "plan",
    "ropes",
    "night",
    "intention",
    "hold",
    "hours",
    "remark",
    "forecast",
)
PLACE = Place(
    name="Invented massif",
    latitude_deg=42.2,
    longitude_deg=80.1,
    time_zone="Asia/Almaty",
    base_name="Meadow",
    base_elevation_m=2400,
    high_point_name="Top",
    high_point_m=4810.5,
)


def entry_id(number: int) -> UUID:
    """The id of the n-th made-up entry, a proper UUIDv7."""
    return UUID(int=(1_784_000_000_000 + number) << 80 | 7 << 76 | 2 << 62 | number)


def actor(phone: int) -> Actor:
    return Actor(id=f"guide-{phone}", name=f"Guide {phone}", role="lead" if phone == 0 else "assistant")


def entry(
    number: int,
    body: AnyBody,
    *,
    trip: str = "trip",
    phone: int = 0,
    after: tuple[UUID, ...] | None = None,
    at: datetime | None = None,
    seen_seq: int = 0,
) -> Entry:
    """The n-th entry of a test, written on a phone."""
    return Entry(
        id=entry_id(number),
        trip=trip,
        body=body,
        actor=actor(phone),
        device=f"phone-{phone}",
        happened_at=at or START + timedelta(minutes=number),
        seen_seq=seen_seq,
        after=after,
    )


def sighting(
    subject: str = "mara", requirement: str = "helmet", state: GearState = GearState.FITS
) -> Sighting:
    return Sighting(subject=subject, requirement=requirement, known=Known.SEEN, state=state)


def plan(name: str = "Four days", *, effort: Effort = Effort.MODERATE) -> TripPlan:
    stage = Stage(
        id="day-1",
        name="To the camp",
        starts_at=START,
        ends_at=START + timedelta(hours=6),
        from_name="Meadow",
        from_m=2400,
        to_name="Camp",
        to_m=3500,
        effort=effort,
        terrain=frozenset({Terrain.GLACIER, Terrain.SNOW_CAMP, Terrain.REMOTE, Terrain.CREVASSED}),
        night=Night(place="Camp", elevation_m=3500, on_snow=True, supplied=("mat",)),
    )
    return TripPlan(
        name=name, place=PLACE, starts_on=date(2026, 7, 14), ends_on=date(2026, 7, 17), stages=(stage,)
    )


@dataclass
class Phone:
    """A device, and what it has of the journal."""

    number: int
    clock_error: timedelta
    known: dict[UUID, Entry] = field(default_factory=dict)

    def write(self, number: int, body: AnyBody, trip: str) -> Entry:
        """Write an entry that replaces what this phone knows to stand."""
        key = body.key()
        standing = heads(self.known.values()).get(key, ()) if key is not None else ()
        written = entry(
            number,
            body,
            trip=trip,
            phone=self.number,
            after=tuple(head.id for head in standing),
            at=START + timedelta(minutes=number) + self.clock_error,
        )
        self.known[written.id] = written
        return written

    def meet(self, other: "Phone") -> None:
        """Both know afterwards what either knew."""
        both = self.known | other.known
        self.known, other.known = dict(both), dict(both)


def body_of(kind: str, a: int, b: int, known: list[Entry]) -> AnyBody:
    """A body of a kind, as two small numbers have it."""
    person = PEOPLE[a % len(PEOPLE)]
    match kind:
        case "sighting":
            states = list(GearState)
            return Sighting(
                subject=person,
                requirement=ITEMS[b % len(ITEMS)],
                known=list(Known)[1 + b % 4],
                state=states[b % len(states)],
                answers={"category": float(b), "side-cover": bool(b % 2), "type": f"t{b}"},
            )
        case "withdraw":
            target = known[(a * 7 + b) % len(known)].id if known else entry_id(10_000 + b)
            return Withdrawn(entry=target)
        case "member":
            return MemberSet(
                member=person, profile=MemberProfile(name=f"{person} {b}", role=list(Role)[b % 3])
            )
        case "left":
            return MemberLeft(member=person)
        case "plan":
            return TripPlanned(plan=plan(f"Plan {a}", effort=list(Effort)[b % 4]))
        case "ropes":
            return RopesSet(ropes=(RopeTeam(id=f"rope-{b % 2}", name="Rope", members=PEOPLE[: 1 + a % 3]),))
        case "night":
            on = date(2026, 7, 10) + timedelta(days=b % 2)
            return NightTold(member=person, on=on, elevation_m=None if b == 0 else 1000.0 * b)
        case "intention":
            return IntentionTold(
                member=person, requirement=ITEMS[b % len(ITEMS)], plan="have" if a % 2 else "will-buy"
            )
        case "hold":
            return HoldPassed(hold=f"hold-{a % 2}", at=START + timedelta(hours=b))
        case "hours":
            return HoursSet(stage=f"day-{a % 2}", hours=None if b == 0 else 1.0 + b)
        case "forecast":
            return ForecastReceived(
                forecast=f"{a:032x}{b:032x}",
                provider="typed in",
                label="tonight",
                issued_at=START + timedelta(hours=b),
            )
        case _:
            return Remark(text=f'remark {a} {b} — ‘größer’ \u2028\\"\n')


_steps = st.lists(
    st.tuples(
        st.integers(0, PHONES - 1),
        st.sampled_from(KINDS),
        st.integers(0, 3),
        st.integers(0, 5),
        st.sampled_from((None, None, 0, 1, 2)),
    ),
    max_size=25,
)
_clock_errors = st.lists(st.integers(-600, 600), min_size=PHONES, max_size=PHONES)


@st.composite
def phones_and_entries(draw: st.DrawFn) -> tuple[list[Phone], list[Entry]]:
    """Phones with what each knows in the end, and everything that was written, in the order of writing."""
    phones = [Phone(number, timedelta(minutes=error)) for number, error in enumerate(draw(_clock_errors))]
    written: list[Entry] = []
    for number, (at, kind, a, b, meets) in enumerate(draw(_steps), start=1):
        phone = phones[at]
        if meets is not None and meets != at:
            phone.meet(phones[meets])
        written.append(phone.write(number, body_of(kind, a, b, list(phone.known.values())), "trip"))
    return phones, written


def histories() -> st.SearchStrategy[list[Entry]]:
    """Everything that was written in a made-up history."""
    return phones_and_entries().map(lambda made: made[1])


def for_trip(entries: list[Entry], trip: str) -> list[Entry]:
    """The same entries as written for another trip."""
    return [each.model_copy(update={"trip": trip}) for each in entries]
