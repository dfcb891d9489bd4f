"""A large trip: twelve people, twelve stages, seventy requirements and an ensemble. Invented."""

from __future__ import annotations

import random
from datetime import date, timedelta
from functools import cache

import numpy as np

from api.conditions import variables as cf
from api.conditions.forecast import Forecast, Point, Provenance, epoch_s
from api.conditions.series import Series
from api.journal.entry import Entry
from api.journal.fold import Picture, fold
from api.journal.kinds import Answer, GearState, Known, Sighting, TripPlanned
from api.journal.trip import HoldKind, HoldPoint, Role, Terrain, TripPlan
from api.kitlist.loading import read_file, shipped
from api.kitlist.schemas import Edition, Question, Requirement, Scope, conditions_of
from api.readiness.lacks import subjects_of
from tests.conditions.building import START, camp, stage, trip
from tests.readiness.building import entry, member, picture, rope

MEMBERS, HOURS, STAGES, REQUIREMENTS, PEOPLE = 51, 240, 12, 70, 12
PRESSURES_PA = np.array([92_500.0, 85_000.0, 80_000.0, 70_000.0, 60_000.0, 55_000.0, 50_000.0, 40_000.0])
HEIGHTS_M = np.array([760.0, 1457.0, 1950.0, 3012.0, 4206.0, 4865.0, 5574.0, 7185.0])


@cache
def plan() -> TripPlan:
    """Twelve stages up to 4,600 m and down again, with a night after each but the last."""
    tops = [2400, 2900, 3300, 3600, 3900, 4200, 4600, 4000, 3600, 3200, 2700, 2200]
    grounds = [
        frozenset({Terrain.GLACIER, Terrain.CREVASSED}),
        frozenset({Terrain.STEEP_SNOW, Terrain.GLACIER}),
    ]
    stages = tuple(
        stage(
            f"s{i:02}",
            START + timedelta(hours=8 + 19 * i),
            8 if i % 3 else 10,
            2000 if i == 0 else tops[i - 1],
            top,
            None if i == STAGES - 1 else camp(top, water=i % 2 == 0),
            grounds[i % 2] if 2 <= i <= 8 else frozenset(),
        )
        for i, top in enumerate(tops)
    )
    points = tuple(
        HoldPoint(
            id=kind.value, kind=kind, name=kind.value, at=stages[at].starts_at, elevation_m=stages[at].from_m
        )
        for kind, at in zip(HoldKind, (0, 2, 5, 6), strict=True)
    )
    return trip(*stages, usual_m=4000).model_copy(update={"hold_points": points})


@cache
def edition() -> Edition:
    """Seventy lines of a shipped edition, those that look at conditions first."""
    whole = read_file(shipped()["glaciated-peak"])
    asked = sorted(
        (r for r in whole.requirements if not r.optional),
        key=lambda requirement: not any(True for _ in conditions_of(requirement)),
    )
    return whole.model_copy(update={"requirements": tuple(asked[:REQUIREMENTS])})


@cache
def forecast(members: int = MEMBERS, *, seed: int = 3, hours: int = HOURS) -> Forecast:
    """An ensemble on eight pressure levels, every hour; cooler day by day, more so in some members."""
    chance = np.random.default_rng(seed)
    times = epoch_s(START) + np.arange(hours + 1) * 3600
    n = times.size
    cooling = chance.normal(-6.0, 5.0, (members, 1, 1)) * np.linspace(0, 1, n)[np.newaxis, :, np.newaxis]
    celsius = 21.0 - 0.0065 * HEIGHTS_M + cooling + chance.normal(0.0, 0.2, (members, n, 1))
    wind = np.abs(3.0 + HEIGHTS_M / 700.0 + chance.normal(0.0, 4.0, (members, 1, 1)))
    wind = np.broadcast_to(wind, (members, n, HEIGHTS_M.size))
    sums = np.stack([times - 3600, times], axis=1)
    values = {
        cf.TEMPERATURE: celsius + 273.15,
        cf.LEVEL_HEIGHT: np.broadcast_to(HEIGHTS_M, celsius.shape),
        cf.WIND: wind,
        cf.GUST: wind * 1.4,
        cf.PRECIPITATION: np.maximum(chance.normal(-0.5, 1.0, (members, n)), 0.0),
        cf.NEW_SNOW: np.maximum(chance.normal(-0.01, 0.01, (members, n)), 0.0),
        cf.UV_CLEAR_SKY: np.full((members, n), 8.0),
        cf.THUNDER: chance.integers(0, 2, (members, n)).astype(float),
    }
    summed = (cf.PRECIPITATION, cf.NEW_SNOW)
    series = {
        name: Series(name, given, *(("sum", sums) if name in summed else ("instant", None)))
        for name, given in values.items()
    }
    return Forecast(
        kind="ensemble" if members > 1 else "deterministic",
        place=Point(45.94, 7.86, 4600),
        times_epoch_s=times,
        members=tuple(map(str, range(members))) if members > 1 else ("run",),
        series=series,
        provenance=Provenance("invented", "run 00", START, model="invented 8-level"),
        levels=PRESSURES_PA,
        level_kind="pressure",
    )


@cache
def party(seed: int = 5) -> Picture:
    """Twelve people on three ropes and their gear: most of it fine, some missing, some not known."""
    chance = random.Random(seed)
    names = [f"p{i:02}" for i in range(PEOPLE)]
    roles = [Role.LEAD, Role.ASSISTANT, Role.ASSISTANT, *[Role.CLIMBER] * (PEOPLE - 3)]
    people = [member(name, role) for name, role in zip(names, roles, strict=True)]
    people += [rope(*names[0::3], id_="r1"), rope(*names[1::3], id_="r2"), rope(*names[2::3], id_="r3")]
    entries: list[Entry] = []
    for subject in subjects_of(picture(plan(), *people)):
        for requirement in edition().requirements:
            if requirement.scope is subject.scope and chance.random() < (
                0.9 if subject.scope is Scope.PERSON else 0.7
            ):
                entries.append(entry(_sighting(chance, subject.id, requirement)))
    return fold([entry(TripPlanned(plan=plan())), *people, *entries])


def _sighting(chance: random.Random, subject: str, requirement: Requirement) -> Sighting:
    state = chance.choices((GearState.FITS, GearState.ABSENT, GearState.UNFIT), (0.8, 0.12, 0.08))[0]
    stand_in = (
        chance.choice(requirement.stands_in).id if requirement.stands_in and chance.random() < 0.3 else None
    )
    computed = requirement.how_many.computed is not None
    return Sighting(
        subject=subject,
        requirement=requirement.id,
        known=chance.choice((Known.SEEN, Known.TRIED, Known.TRIED)),
        state=state,
        count=float(chance.choice((1500, 9000, 14000))) if computed else None,
        stand_in=stand_in if state is GearState.FITS else None,
        answers={
            question.id: _answer(chance, question)
            for question in requirement.questions
            if chance.random() < 0.9
        },
    )


def _answer(chance: random.Random, question: Question) -> Answer:
    match question.kind:
        case "yes-no":
            return chance.random() < 0.85
        case "choice":
            return chance.choice(question.choices).id
        case "date":
            return date(2027, 1, 1).isoformat()
        case _:
            return float(chance.choice((-25, -15, -8, -2, 3, 20, 60, 200)))
