"""The invented history as journals: what an outfit would have written about such trips."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from functools import cache
from typing import Any

from api.conditions.sources.manual import ManualForecast
from api.journal.decisions import DebriefNote
from api.journal.entry import Actor, Entry
from api.journal.kinds import (
    AnyBody,
    GearState,
    HoldPassed,
    Known,
    LoanHandedOut,
    LoanReturned,
    LoanTerms,
    MemberSet,
    Remark,
    RopesSet,
    Sighting,
    TripPlanned,
)
from api.journal.trip import HoldKind, MemberProfile, Role, RopeTeam, TripPlan
from api.kitlist.loading import read_file, shipped
from api.kitlist.schemas import Basis, Edition, Grade, GradeRule, Requirement, Zone
from seeds import demo
from seeds.history import ROUTES, SEASONS, Gap, InventedTrip, Person

KEPT = (
    "boots",
    "crampons",
    "shell-trousers",
    "parka",
    "backup-mitts",
    "helmet",
    "glacier-glasses",
    "headlamp-power",
    "harness",
    "sleeping-bag",
)
"""Lines of the shipped kit list that the history's editions have."""

WRONG: dict[str, tuple[GearState, str]] = {
    "glacier-glasses": (GearState.UNFIT, "Category 2, open at the sides"),
    "backup-mitts": (GearState.ABSENT, "No dry pair besides the one in use"),
    "headlamp-power": (GearState.ABSENT, "No second source of light"),
    "crampons": (GearState.UNFIT, "Does not hold on this boot"),
    "shell-trousers": (GearState.UNFIT, "Ankle zips only; crampons have to come off"),
    "parka": (GearState.UNFIT, "No hood"),
    "sleeping-bag": (GearState.UNFIT, "Rated too warm for the nights ahead"),
    "harness": (GearState.UNFIT, "Age not to be read; rarely used"),
    "arrival-nights": (GearState.ABSENT, "Arrives the evening before"),
}
_GIVEN = (
    "Ada",
    "Bo",
    "Chidi",
    "Dara",
    "Emre",
    "Faye",
    "Goran",
    "Hana",
    "Ilse",
    "Jun",
    "Kofi",
    "Lena",
    "Mato",
)
_FAMILY = ("Abara", "Brandt", "Castell", "Dovrin", "Eklund", "Farkas", "Grell", "Hollis", "Ivarsen", "Jessop")
LEAD, ASSISTANT = "p01", "p02"
ADVISED_M = 500
"""So far under the top the kit list asks for dry mitts."""


@cache
def edition_of(season: int) -> Edition:
    """The kit list of a season: lines of the shipped one for climbers, and one about arriving."""
    base = read_file(shipped()["glaciated-peak"])
    kept = [r.model_copy(update={"roles": (Role.CLIMBER,)}) for r in base.requirements if r.id in KEPT]
    return base.model_copy(
        update={
            "id": f"climbers-{season}",
            "title": f"Climbers' list, season {season}",
            "number": SEASONS.index(season) + 1,
            "dated": date(season, 3, 1),
            "made_from": None if season == SEASONS[0] else f"climbers-{SEASONS[0]}",
            "note": "Invented, for the review of the demo.",
            "requirements": (*kept, _arrival()),
        }
    )


def _arrival() -> Requirement:
    return Requirement(
        id="arrival-nights",
        item="Two nights between valley and base before the trip",
        zone=Zone.PAPERS,
        roles=(Role.CLIMBER,),
        takes=Known.SEEN,
        grades=(GradeRule(grade=Grade.FIX, at=HoldKind.BASE),),
        why="Whoever arrives the evening before has had no time to get used to the height.",
        clears="An extra night on the way, or a later start for this person.",
        basis=Basis(kind="common-practice", source="common practice, no published source"),
    )


@dataclass(frozen=True, slots=True)
class Heard:
    """A forecast, and when it came in."""

    at: datetime
    typed: ManualForecast


Step = tuple[datetime, Actor, AnyBody]


class Story:
    """The journal of one invented trip."""

    def __init__(self, trip: InventedTrip, edition: Edition) -> None:
        self.trip = trip
        self.edition = edition
        told = demo.scenario()
        self._told = demo.Scenario({**told.data, "trip": trip.id}, told.zone)
        who = demo.actors(told)
        self.lead, self.assistant, self.office = who[LEAD], who[ASSISTANT], who["office"]
        self.first = date.fromisoformat(trip.starts_on)
        self.plan = self._plan()
        self.climbers = [f"c{at + 1:02d}" for at in range(len(trip.people))]

    def at(self, days: int, clock: str) -> datetime:
        """A moment, by days from the first day of the trip, local time."""
        return datetime.combine(self.first + timedelta(days=days), time.fromisoformat(clock), self._told.zone)

    def _plan(self) -> TripPlan:
        plan = demo.plan(demo.scenario(), self.edition.id)
        name, top = ROUTES[self.trip.route]
        old, days = plan.place.high_point_m, (self.first - plan.starts_on).days
        data = _moved(plan.model_dump(), timedelta(days=days), old, top)
        data["place"]["high_point_name"] = name
        data["name"] = f"{name}, {self.first.day} {self.first:%B %Y}"
        data["remark"] = "Everything about this trip is invented; not for navigation."
        return TripPlan.model_validate(data)

    def forecasts(self) -> list[Heard]:
        """The three issues of the trip."""
        labels = (("F0", -3, "18:00"), ("F1", -1, "18:00"), ("F2", 0, "18:00"))
        return [
            Heard(self.at(days, clock), self._forecast(label, self.at(days, clock), level))
            for (label, days, clock), level in zip(labels, self.trip.freezing_m, strict=True)
        ]

    def _forecast(self, label: str, issued: datetime, lowest: int) -> ManualForecast:
        top = self.plan.place.high_point_m
        early = {"low": lowest + 50, "best": lowest + 150, "high": lowest + 250}
        late = {"low": lowest - 100, "best": lowest, "high": lowest + 100}
        wind = [{"altitude": 3780, "wind": 15}, {"altitude": top, "wind": 30}]
        turn = self.at(1, "18:00")
        blocks = [
            {"starts_at": self.at(0, "06:00"), "ends_at": turn, "freezing_level": early},
            {"starts_at": turn, "ends_at": self.at(3, "13:00"), "freezing_level": late},
        ]
        for block in blocks:
            block |= {"wind": wind, "precipitation": 0, "new_snow": 0, "uv_max": 7, "thunder": "none"}
        return ManualForecast.model_validate(
            {
                "issued_at": issued,
                "source_text": "Valley bulletin, invented",
                "who": self.lead.name,
                "label": label,
                "blocks": blocks,
            }
        )

    def entries(self, heard: list[tuple[datetime, AnyBody]]) -> list[Entry]:
        """The whole journal in order of time, with the forecasts that came in."""
        steps = [*self._booked(), *self._checked(), *self._gaps(), *self._on_the_way()]
        steps += [(at, self.lead, body) for at, body in heard]
        writer = demo.Writer(self._told)
        for at, actor, body in sorted(steps, key=lambda step: step[0]):
            writer.write(body, at=at, actor=actor)
        return writer.entries

    def _booked(self) -> Iterator[Step]:
        opened = self.at(-240, "10:00")
        yield opened, self.office, Remark(about="season:kind", text=self.trip.kind)
        for member, actor in ((LEAD, self.lead), (ASSISTANT, self.assistant)):
            profile = MemberProfile(name=actor.name, role=Role(actor.role))
            yield opened, self.office, MemberSet(member=member, profile=profile)
        for at, (member, person) in enumerate(self._people()):
            booked = self.at(-person.booked_days, "09:00") + timedelta(minutes=at)
            profile = MemberProfile(name=self.name_of(at), role=Role.CLIMBER)
            yield booked, self.office, MemberSet(member=member, profile=profile)
            about = {"booking": person.booking, "rental": person.rental}
            for key, value in about.items():
                yield booked, self.office, Remark(about=f"season:{key}:{member}", text=value)
        planned = self.at(-9, "16:00")
        yield planned, self.office, TripPlanned(plan=self.plan)
        half = (len(self.climbers) + 1) // 2
        ropes = (
            RopeTeam(id="r1", name="Rope 1", members=(LEAD, *self.climbers[:half])),
            RopeTeam(id="r2", name="Rope 2", members=(ASSISTANT, *self.climbers[half:])),
        )
        yield planned, self.office, RopesSet(ropes=ropes)

    def _people(self) -> Iterator[tuple[str, Person]]:
        return zip(self.climbers, self.trip.people, strict=True)

    def name_of(self, at: int) -> str:
        """An invented name for the climber at a place in the list."""
        pick = self._pick(str(at))
        return f"{_GIVEN[pick % len(_GIVEN)]} {_FAMILY[pick // 97 % len(_FAMILY)]}"

    def _pick(self, *about: str) -> int:
        """A number that is the same on every machine, for what needs no quota."""
        return int(hashlib.sha256(".".join((self.trip.id, *about)).encode()).hexdigest()[:8], 16)

    def _themselves(self, member: str) -> Actor:
        return Actor(id=member, name=self.name_of(self.climbers.index(member)), role="climber")

    def _said(self, requirement: str, member: str) -> Sighting:
        return Sighting(subject=member, requirement=requirement, known=Known.SAID, state=GearState.FITS)

    def _checked(self) -> Iterator[Step]:
        """The lay-out at base: everything that is not lacking is seen or tried, and is fine."""
        at = self.at(0, "07:30")
        for member, person in self._people():
            known_before = {gap.what for gap in person.gaps if gap.found != "mountain"}
            lacking = {gap.what for gap in person.gaps}
            for number, requirement in enumerate(self.edition.requirements):
                at += timedelta(seconds=20)
                if requirement.id not in lacking and self._pick(member, requirement.id) % 2:
                    told = self.at(-8, "18:00") + timedelta(seconds=number)
                    yield told, self._themselves(member), self._said(requirement.id, member)
                if requirement.id not in known_before:
                    yield at, self._checker(requirement), self._fine(requirement, member)

    def _checker(self, requirement: Requirement) -> Actor:
        return self.lead if requirement.zone in (Zone.HEAD, Zone.HANDS) else self.assistant

    def _fine(self, requirement: Requirement, member: str) -> Sighting:
        given = demo.scenario().data["fine"].get(requirement.id, {})
        return Sighting(
            subject=member,
            requirement=requirement.id,
            known=Known.TRIED if requirement.life_safety else requirement.takes,
            state=GearState.FITS,
            answers=demo.fitting_answers(demo.scenario(), requirement, given),
        )

    def _gaps(self) -> Iterator[Step]:
        for place, (member, person) in enumerate(self._people()):
            themselves = self._themselves(member)
            for number, gap in enumerate(person.gaps):
                requirement = self.edition.requirement(gap.what)
                if requirement is not None:
                    minute = timedelta(minutes=place * 3 + number)
                    yield from self._gap(requirement, member, themselves, gap, minute)

    def _gap(
        self, requirement: Requirement, member: str, themselves: Actor, gap: Gap, later: timedelta
    ) -> Iterator[Step]:
        state, remark = WRONG[gap.what]
        told = {"subject": member, "requirement": gap.what}
        if gap.said_fine:
            yield self.at(-8, "19:00") + later, themselves, self._said(gap.what, member)
        at, actor, known = {
            "self": (self.at(-8, "20:00"), themselves, Known.SAID),
            "office": (self.at(-6, "11:00"), self.office, Known.PICTURED),
            "hands-on": (self.at(0, "08:30"), self.assistant, Known.TRIED),
            "mountain": (self.at(1, "08:00"), self.lead, Known.TRIED),
        }[gap.found]
        yield at + later, actor, Sighting(**told, known=known, state=state, remark=remark)
        if gap.met == "open" or not self._asked_at_base(gap.what):
            return
        fixed = (self.at(0, "10:20") if gap.found != "mountain" else self.at(1, "09:30")) + later
        if gap.met != "own":
            yield from self._lent(requirement, member, gap, fixed)
        yield fixed + timedelta(minutes=1), self._checker(requirement), self._fine(requirement, member)

    def _asked_at_base(self, what: str) -> bool:
        """Nobody lends mitts that the forecast of that morning does not ask for."""
        return what != "backup-mitts" or self.trip.freezing_m[1] < self.plan.place.high_point_m - ADVISED_M

    def _lent(self, requirement: Requirement, member: str, gap: Gap, at: datetime) -> Iterator[Step]:
        source, giver = {
            "lent": ("locker", f"pool-{gap.what}"),
            "shared": ("person", LEAD),
            "bought": ("bought", None),
        }[gap.met]
        terms = LoanTerms(
            source=source, giver=giver, what=requirement.item, subject=member, requirement=gap.what
        )
        loan = f"{member}-{gap.what}"
        yield at, self.office, LoanHandedOut(loan=loan, terms=terms)
        if gap.met != "bought":
            yield self.at(3, "15:00"), self.office, LoanReturned(loan=loan, terms=terms, condition="fine")

    def _on_the_way(self) -> Iterator[Step]:
        for hold in self.plan.hold_points:
            yield hold.at, self.lead, HoldPassed(hold=hold.id, at=hold.at)
        for number, (about, requirement, text) in enumerate(self.trip.notes):
            body = DebriefNote.model_validate(
                {"about": about, "text": text, "requirement": requirement or None}
            )
            yield self.at(3, "18:00") + timedelta(minutes=number), self.lead, body


def _moved(value: Any, by: timedelta, old_top: float, top: float) -> Any:
    """A plan at another time, with another top."""
    if isinstance(value, dict):
        return {key: _moved(item, by, old_top, top) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_moved(item, by, old_top, top) for item in value]
    if isinstance(value, date):
        return value + by
    return top if isinstance(value, float) and value == old_top else value
