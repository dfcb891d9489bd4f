"""Small trips with nights at given heights. Everything in here is invented."""

from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, date, datetime, timedelta
from typing import Any
from uuid import UUID

from api.journal.entry import Actor, Entry
from api.journal.fold import Picture, fold
from api.journal.health import HealthErased, HealthNote, Mark
from api.journal.kinds import AnyBody, MemberSet, NightTold, TripPlanned
from api.journal.trip import HoldKind, HoldPoint, MemberProfile, Night, Place, Role, Stage, TripPlan

FIRST = date(2026, 7, 10)
LEAD = Actor(id="lead", name="Lead", role="lead")
CLIMBER = Actor(id="mara", name="Mara", role="climber")
PLACE = Place(
    name="Invented massif",
    latitude_deg=42.2,
    longitude_deg=80.1,
    time_zone="UTC",
    base_name="Meadow",
    base_elevation_m=2400,
    high_point_name="Top",
    high_point_m=5200,
)


def plan(camps_m: Sequence[float | None], **changes: Any) -> TripPlan:
    """A trip with one stage a day, each with a night at the height given (None: a day without a camp)."""
    stages = []
    before = 2400.0
    for day, camp in enumerate(camps_m):
        starts = datetime.combine(FIRST, datetime.min.time(), UTC) + timedelta(days=day, hours=8)
        to = camp if camp is not None else before
        stages.append(
            Stage(
                id=f"stage-{day + 1}",
                name=f"Stage {day + 1}",
                starts_at=starts,
                ends_at=starts + timedelta(hours=5),
                from_name=f"C{day}",
                from_m=before,
                to_name=f"C{day + 1}",
                to_m=to,
                night=Night(place=f"C{day + 1}", elevation_m=camp) if camp is not None else None,
            )
        )
        before = to
    holds = tuple(
        HoldPoint(
            id=kind.value,
            kind=kind,
            name=kind.value,
            at=stages[0].starts_at + timedelta(hours=i),
            elevation_m=2400 + 100 * i,
        )
        for i, kind in enumerate(HoldKind)
    )
    made = TripPlan(
        name="A trip",
        place=PLACE,
        starts_on=FIRST,
        ends_on=FIRST + timedelta(days=len(camps_m)),
        stages=tuple(stages),
        hold_points=holds,
    )
    return made.model_copy(update=changes)


class Story:
    """Entries of a trip, folded."""

    def __init__(self, trip_plan: TripPlan, members: Iterable[str] = ("mara",)) -> None:
        self.entries: list[Entry] = []
        self.write(TripPlanned(plan=trip_plan))
        for member in members:
            self.write(
                MemberSet(member=member, profile=MemberProfile(name=member.title(), role=Role.CLIMBER))
            )

    def write(self, *bodies: AnyBody, by: Actor = LEAD) -> "Story":
        for body in bodies:
            number = len(self.entries) + 1
            key = body.key()
            after = tuple(e.id for e in self.entries if key is not None and e.body.key() == key)
            self.entries.append(
                Entry(
                    id=UUID(int=(1_784_000_000_000 + number) << 80 | 7 << 76 | 2 << 62 | number),
                    trip="trip",
                    body=body,
                    actor=by,
                    device="d",
                    happened_at=datetime(2026, 7, 9, tzinfo=UTC) + timedelta(minutes=number),
                    after=after,
                )
            )
        return self

    def slept(self, told: Mapping[int, float | None], member: str = "mara", known: str = "said") -> "Story":
        """Nights by their day: -1 is the night before the trip."""
        return self.write(
            *(
                NightTold(member=member, on=FIRST + timedelta(days=day), elevation_m=height, known=known)
                for day, height in told.items()
            )
        )

    def noted(self, mark: Mark | None, by: Actor = LEAD, key: str = "k1") -> "Story":
        return self.write(HealthNote(member="mara", key_id=key, sealed="A" * 24, mark=mark), by=by)

    def erased(self, key: str = "k1") -> "Story":
        return self.write(HealthErased(member="mara", key_id=key))

    @property
    def picture(self) -> Picture:
        return fold(self.entries)
