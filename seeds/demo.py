"""The demo scenario as journal entries, up to a chosen moment of its story.

Ids are derived from what an entry says, so that the same scenario is the same journal on every machine.
"""

import hashlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from functools import cache
from pathlib import Path
from typing import Any
from uuid import UUID
from zoneinfo import ZoneInfo

import yaml

from api.conditions.sources.manual import ManualForecast
from api.journal.entry import Actor, Entry
from api.journal.kinds import (
    PARTY,
    AnyBody,
    FlagTaken,
    GearState,
    HoldPassed,
    Known,
    MemberSet,
    NightTold,
    PartyRulesSet,
    Remark,
    RopesSet,
    Sighting,
    TripPlanned,
)
from api.journal.party import PartyRule
from api.journal.trip import MemberProfile, Role, RopeTeam, TripPlan
from api.kitlist.quantities import in_unit
from api.kitlist.schemas import Edition, Limit, Question, Requirement, Scope
from seeds.nights import told_nights

HERE = Path(__file__).parent
SCENARIO = HERE / "kessandry.yaml"
OFFICE = Actor(id="office", name="Petra Vasilenko", role="office")
FAR_AHEAD_DAYS = 400


@dataclass(frozen=True, slots=True)
class Scenario:
    """The scenario file, read."""

    data: Mapping[str, Any]
    zone: ZoneInfo

    @property
    def trip(self) -> str:
        return str(self.data["trip"])

    def moment(self, written: datetime | str) -> datetime:
        """A moment as the scenario writes it: local time at the mountain."""
        given = written if isinstance(written, datetime) else datetime.fromisoformat(written)
        return given.replace(tzinfo=self.zone)


@cache
def scenario() -> Scenario:
    """Read the scenario that is shipped."""
    data = yaml.safe_load(SCENARIO.read_text(encoding="utf-8"))
    return Scenario(data, ZoneInfo(data["plan"]["place"]["time_zone"]))


def plan(told: Scenario, edition_id: str) -> TripPlan:
    """The plan of the demo trip."""

    def localised(value: Any) -> Any:
        if isinstance(value, dict):
            return {key: localised(item) for key, item in value.items()}
        if isinstance(value, list):
            return [localised(item) for item in value]
        if isinstance(value, str) and len(value) == 16 and value[10] == "T":
            return told.moment(value).isoformat()
        return value

    data = localised(told.data["plan"])
    remark = f"{told.data['permit']} Everything about this trip is invented; not for navigation."
    return TripPlan(**data, edition_id=edition_id, remark=remark)


def actors(told: Scenario) -> dict[str, Actor]:
    """Everyone who writes in the demo's journal, by id."""
    people = {
        id_: Actor(id=id_, name=person["name"], role=person["role"])
        for id_, person in told.data["people"].items()
    }
    return {**people, OFFICE.id: OFFICE}


@dataclass(frozen=True, slots=True)
class Moment:
    """A moment of the story that the demo can stand at."""

    id: str
    at: datetime
    title: str
    forecasts: tuple[str, ...]

    @property
    def mark(self) -> str:
        """What the remark that marks this moment in the journal is about."""
        return f"story:{self.id}"


def moments(told: Scenario) -> tuple[Moment, ...]:
    """The moments of the story, in order."""
    return tuple(
        Moment(m["id"], told.moment(m["at"]), m["title"], tuple(m.get("forecasts", ())))
        for m in told.data["moments"]
    )


def entries_of(edition: Edition, moment_id: str, seen_seq: int = 0) -> list[Entry]:
    """What is written between the moment before and this one.

    Up to the first moment everything is written as the devices of the story did it; later on each entry
    replaces what stands at `seen_seq`, whatever a visitor of the demo has done meanwhile. Forecasts are not
    among them, because they go through the forecast store.
    """
    told = scenario()
    first, *_ = moments(told)
    writer = Writer(told, seen_seq if moment_id != first.id else None)
    story = _story(told, edition) if moment_id == first.id else _later(told, edition, moment_id)
    for at, actor, body, alone in story:
        writer.write(body, at=at, actor=actor, alone=alone)
    reached = next(moment for moment in moments(told) if moment.id == moment_id)
    mark = Remark(about=reached.mark, text=f"The story has come to: {reached.title}.")
    writer.write(mark, at=reached.at, actor=OFFICE)
    return writer.entries


def _later(told: Scenario, edition: Edition, moment_id: str) -> Iterator["Told"]:
    who = actors(told)
    moment = next(m for m in told.data["moments"] if m["id"] == moment_id)
    for found in moment.get("found", ()):
        requirement = edition.requirement(found["what"])
        if requirement is None:
            raise ValueError(f"the story mends {found['what']}, which the edition does not have")
        yield told.moment(found["at"]), who[found["by"]], _planted(told, requirement, found), False
    for taken in moment.get("taken", ()):
        body = FlagTaken(
            finding=taken["finding"], until=told.moment(taken["until"]), note=taken.get("note", "")
        )
        yield told.moment(taken["at"]), who[taken["by"]], body, False
    for asked in moment.get("nights", ()):
        at = told.moment(asked["at"])
        yield from ((at, who[asked["by"]], body, False) for body in told_nights(asked))
    holds = {hold["id"]: told.moment(hold["at"]) for hold in told.data["plan"]["hold_points"]}
    for hold in moment.get("passed", ()):
        yield holds[hold], who["p01"], HoldPassed(hold=hold, at=holds[hold]), False


@dataclass(frozen=True, slots=True)
class Acceptance:
    """What the lead guide of the story accepts; its bounds are worked out when it comes to it."""

    finding: str
    at: datetime
    by: Actor
    reason: str


def accepted_at(moment_id: str) -> tuple[Acceptance, ...]:
    """What is accepted on the way to a moment of the story."""
    told = scenario()
    who = actors(told)
    moment = next(m for m in told.data["moments"] if m["id"] == moment_id)
    return tuple(
        Acceptance(a["finding"], told.moment(a["at"]), who[a["by"]], a["reason"])
        for a in moment.get("accepted", ())
    )


def party_rules(told: Scenario) -> tuple[PartyRule, ...]:
    """The permit's rules, as the office typed them in."""
    return tuple(PartyRule.model_validate(rule) for rule in told.data["party_rules"])


def forecast(told: Scenario, id_: str) -> ManualForecast:
    """One of the scenario's forecasts, as the lead guide typed it in."""
    written = next(f for f in told.data["forecasts"] if f["id"] == id_)
    return ManualForecast.model_validate(
        {
            "issued_at": told.moment(written["issued_at"]),
            "source_text": written["source"],
            "who": told.data["people"]["p01"]["name"],
            "label": id_,
            "blocks": [_block(told, block) for block in written["blocks"]],
        }
    )


def _block(told: Scenario, block: Mapping[str, Any]) -> dict[str, Any]:
    top = told.data["plan"]["place"]["high_point_m"]
    shelf = told.data["shelf_m"]
    low, best, high = block["freezing"]
    return {
        "starts_at": told.moment(block["from"]),
        "ends_at": told.moment(block["to"]),
        "freezing_level": {"low": low, "best": best, "high": high},
        "wind": [
            {"altitude": shelf, "wind": block["wind_kmh"] / 2},
            {"altitude": top, "wind": block["wind_kmh"]},
        ],
        "precipitation": block.get("snow_cm", 0),
        "new_snow": block.get("snow_cm", 0),
        "uv_max": block["uv"],
        "thunder": "none",
    }


class Writer:
    """Writes entries the way devices do: each replaces what its writer knew of the same thing.

    With `seen_seq` the writer is online and has read the journal that far; the store then works out the rest.
    """

    def __init__(self, told: Scenario, seen_seq: int | None = None) -> None:
        self._told = told
        self._seen_seq = seen_seq
        self._heads: dict[tuple[str, ...], list[UUID]] = {}
        self.entries: list[Entry] = []

    def write(self, body: AnyBody, *, at: datetime, actor: Actor, alone: bool = False) -> Entry:
        """Add an entry; `alone`: written without signal, so that it replaces nothing."""
        key = body.key()
        known = () if alone or key is None else tuple(self._heads.get(key, ()))
        online = self._seen_seq is not None
        entry = Entry(
            id=_id(at, actor.id, body, len(self.entries)),
            trip=self._told.trip,
            body=body,
            actor=actor,
            device=f"demo-{actor.id}",
            happened_at=at,
            seen_seq=self._seen_seq or 0,
            after=None if online else known,
        )
        if key is not None:
            kept = [id_ for id_ in self._heads.get(key, []) if id_ not in known]
            self._heads[key] = [*kept, entry.id]
        self.entries.append(entry)
        return entry


def _id(at: datetime, actor: str, body: AnyBody, number: int) -> UUID:
    """A version 7 UUID made from the moment and from what is said."""
    said = hashlib.sha256(f"{actor} {number} {body.model_dump_json()}".encode()).digest()
    value = int(at.timestamp() * 1000) << 80 | int.from_bytes(said[:10])
    value = value & ~(0xF << 76) | 7 << 76
    return UUID(int=value & ~(0x3 << 62) | 2 << 62)


Told = tuple[datetime, Actor, AnyBody, bool]


def _story(told: Scenario, edition: Edition) -> Iterator[Told]:
    who = actors(told)
    office, lead = who["office"], who["p01"]
    booked = told.moment("2026-07-20T10:00")
    yield booked, office, TripPlanned(plan=plan(told, told.data["edition"])), False
    yield booked, office, PartyRulesSet(rules=party_rules(told)), False
    for id_, person in told.data["people"].items():
        profile = MemberProfile(name=person["name"], role=Role(person["role"]), about=person["about"])
        yield booked, office, MemberSet(member=id_, profile=profile), False
    yield told.moment("2026-09-05T16:00"), lead, RopesSet(ropes=_ropes(told)), False
    yield from _nights(told, office)
    yield from _layout(told, edition, who)


def _ropes(told: Scenario) -> tuple[RopeTeam, ...]:
    people = told.data["people"]
    return tuple(
        RopeTeam(
            id=rope, name=name, members=tuple(id_ for id_, person in people.items() if person["rope"] == rope)
        )
        for rope, name in told.data["ropes"].items()
    )


def _nights(told: Scenario, office: Actor) -> Iterator[Told]:
    nights = told.data["nights_before"]
    for id_, elevations in nights.items():
        if id_ != "dates":
            for on, elevation_m in zip(nights["dates"], elevations, strict=True):
                body = NightTold(member=id_, on=on, elevation_m=elevation_m)
                yield told.moment("2026-09-11T20:00"), office, body, False


def _layout(told: Scenario, edition: Edition, who: Mapping[str, Actor]) -> Iterator[Told]:
    """The lay-out at base: every requirement of everyone, with the planted gaps in their place."""
    planted = {(p["who"], p["what"]) for p in told.data["planted"]}
    at = told.moment("2026-09-12T07:35")
    for subject, name, requirement in _whom_it_concerns(told, edition):
        if requirement.optional or (subject, requirement.id) in planted:
            continue
        at += timedelta(seconds=7)
        body = _fine(told, requirement, subject)
        yield at, who[_checker(requirement, name)], body, False
    for gap in sorted(told.data["planted"], key=lambda gap: str(gap.get("at", ""))):
        found = edition.requirement(gap["what"])
        if found is None:
            raise ValueError(f"the scenario plants a gap in {gap['what']}, which the edition does not have")
        moment = told.moment(gap["at"]) if "at" in gap else at + timedelta(seconds=30)
        yield moment, who[gap.get("by", "p03")], _planted(told, found, gap), bool(gap.get("alone"))


def _whom_it_concerns(told: Scenario, edition: Edition) -> Iterator[tuple[str, str, Requirement]]:
    for requirement in edition.requirements:
        if requirement.scope is Scope.PARTY:
            yield PARTY, "party", requirement
        elif requirement.scope is Scope.ROPE:
            yield from ((rope, rope, requirement) for rope in told.data["ropes"])
        else:
            for id_, person in told.data["people"].items():
                if not requirement.roles or Role(person["role"]) in requirement.roles:
                    yield id_, id_, requirement


def _checker(requirement: Requirement, subject: str) -> str:
    """Feet and hardware at one station, body, hands and eyes at the other; the lead checks what is shared."""
    if requirement.scope is not Scope.PERSON:
        return "p01"
    hardware = requirement.zone.value in ("feet", "technical", "light")
    checker = "p02" if hardware else "p03"
    return {"p02": "p03", "p03": "p02"}.get(checker, checker) if checker == subject else checker


def _fine(told: Scenario, requirement: Requirement, subject: str) -> Sighting:
    given = told.data["fine"].get(requirement.id, {})
    return Sighting(
        subject=subject,
        requirement=requirement.id,
        known=Known.TRIED if requirement.life_safety else requirement.takes,
        state=GearState.FITS,
        count=given.get("count"),
        answers=fitting_answers(told, requirement, {k: v for k, v in given.items() if k != "count"}),
    )


def _planted(told: Scenario, requirement: Requirement, gap: Mapping[str, Any]) -> Sighting:
    state = GearState(gap.get("state", "fits"))
    known = Known(gap["known"])
    told_answers = {k: str(v) if isinstance(v, date) else v for k, v in gap.get("answers", {}).items()}
    answers = fitting_answers(told, requirement, told_answers) if state is GearState.FITS else told_answers
    return Sighting(
        subject=gap["who"],
        requirement=requirement.id,
        known=known,
        state=state,
        answers=answers if known.rung >= Known.PICTURED.rung else {},
        remark=gap.get("remark", ""),
    )


def fitting_answers(told: Scenario, requirement: Requirement, given: Mapping[str, Any]) -> dict[str, Any]:
    """Answers to all questions: as given, else such that nothing is amiss."""
    return {q.id: given[q.id] if q.id in given else _fitting(told, q) for q in requirement.questions}


def _fitting(told: Scenario, question: Question) -> Any:
    limits = question.limits
    if question.kind == "yes-no":
        return next(limit.want for limit in limits)
    if question.kind == "choice":
        allowed = set.intersection(*(set(limit.one_of) for limit in limits))
        return next(choice.id for choice in question.choices if choice.id in allowed)
    if question.kind == "date":
        ends = date.fromisoformat(str(told.data["plan"]["ends_on"]))
        ages = [limit.within_years for limit in limits if limit.within_years is not None]
        days = -int(min(ages) * FAR_AHEAD_DAYS / 4) if ages else FAR_AHEAD_DAYS
        return (ends + timedelta(days=days)).isoformat()
    return _fitting_number(question, limits)


def _fitting_number(question: Question, limits: tuple[Limit, ...]) -> float:
    unit = question.unit or "1"
    least = [in_unit(limit.at_least, unit) for limit in limits if isinstance(limit.at_least, str)]
    most = [in_unit(limit.at_most, unit) for limit in limits if isinstance(limit.at_most, str)]
    if not least and not most:
        raise ValueError(f"question {question.id} needs an answer in the scenario, under `fine`")
    return max(least) if least else min(most)
