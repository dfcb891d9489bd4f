"""What one requirement would have flagged, over a grid of many trips and every state of what was known. Pure.

It answers as the findings of single trips do; of a flag it keeps the grade by its rules, before any hold
point that was passed makes a stop of it.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from typing import Any
from uuid import UUID

import numpy as np

from api.journal.entry import Actor
from api.journal.fold import Picture, Record
from api.journal.kinds import MemberSet
from api.journal.trip import MemberProfile, Role, TripPlan
from api.kitlist.schemas import Edition, GradeRule, Requirement
from api.readiness.asks import Check, checks_of
from api.readiness.findings import BADNESS
from api.readiness.lacks import Lacks, lacks
from api.readiness.schemas import GapKind
from api.seasons.grid import Bools, GridWeather, Ints
from api.seasons.holdings import records_of

NONE, NOT_KNOWN, ADVISE, FIX, STOP = 0, 1, 2, 3, 4
"""What an epoch gives a person: no flag; one that says only that something is not known; a gap, by grade."""
SOMEONE = "someone"
UNTOLD = (GapKind.UNKNOWN, GapKind.UNANSWERED)
"""Gaps that say only that nobody has told; nothing is guessed from them."""
_LONG_AGO = datetime(2000, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class Held:
    """What is known of a thing, and the trip's dates where a limit is held against them."""

    payload: str
    starts_on: date | None = None
    ends_on: date | None = None


@dataclass(frozen=True, slots=True)
class _Failing:
    check: int
    kind: GapKind
    where: Bools
    grades: tuple[GradeRule, ...]


def rests_on_dates(requirement: Requirement) -> bool:
    """Whether any limit is held against a date of the trip."""
    limits = (limit for question in requirement.questions for limit in question.limits)
    return any(limit.not_before is not None or limit.within_years is not None for limit in limits)


@dataclass(eq=False)
class Line:
    """One requirement of one edition over one grid."""

    weather: GridWeather
    requirement: Requirement
    edition: Edition = field(init=False)
    checks: tuple[Check, ...] = field(init=False)
    _where: Bools = field(init=False)
    _asked: dict[tuple[int, bool], Bools] = field(default_factory=dict)
    _known: dict[Held, Lacks] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.edition = self.weather.edition.model_copy(update={"requirements": (self.requirement,)})
        self.checks = checks_of(self.edition)
        self._where = self.weather.where_needed(self.requirement) & self.weather.grid.ahead

    def codes(self, held: Held, epochs: Ints) -> Ints:
        """The code of each of some epochs for somebody of whom this is known, shape (epoch,)."""
        result = np.zeros(len(epochs), dtype=np.int64)
        if self.requirement.optional:
            return result
        undecided = np.ones(len(epochs), dtype=np.bool_)
        for one in sorted(self._failing(held, epochs), key=lambda f: (BADNESS[f.kind], f.check)):
            here = undecided & one.where.any(axis=1)
            if not here.any():
                continue
            weight = self._weight(one, epochs)
            certain = (self.asked(one.check, certain=True)[epochs] & one.where).any(axis=1)
            known = certain & (one.kind not in UNTOLD)
            code = np.where(weight == 0, NONE, np.where(known, weight + 1, NOT_KNOWN))
            result = np.where(here, code, result)
            undecided &= ~here
        return result

    def never_fails(self, held: Held) -> bool:
        """Whether somebody of whom this is known lacks nothing, whatever the conditions."""
        lacking = self._lacks(held)
        record = lacking.holdings[0, 0].record
        if lacking.gaps or lacking.values or record is None:
            return False
        return record.body.stand_in is None

    def asked(self, check: int, *, certain: bool = False) -> Bools:
        """Where a check is asked, by (epoch, stage); with `certain`, only where that is known."""
        key = (check, certain)
        if key not in self._asked:
            truth = self.weather.truth(self.requirement.when)
            question, limit = self.checks[check].question, self.checks[check].limit
            if question is not None and limit is not None:
                truth = truth & self.weather.truth(question.when) & self.weather.truth(limit.when)
            self._asked[key] = (truth.certain if certain else truth.possible) & self._where
        return self._asked[key]

    def _weight(self, failing: _Failing, epochs: Ints) -> Ints:
        """Weight of the first grade that holds where it fails; 0 where none does."""
        weight = np.zeros(len(epochs), dtype=np.int64)
        for rule in failing.grades:
            holds = (self.weather.truth(rule.when).possible[epochs] & failing.where).any(axis=1)
            weight = np.where((weight == 0) & holds, rule.grade.weight, weight)
        return weight

    def _failing(self, held: Held, epochs: Ints) -> list[_Failing]:
        lacking = self._lacks(held)
        failing = []
        for c, check in enumerate(self.checks):
            where = self.asked(c)[epochs]
            gap = lacking.gaps.get((0, c))
            if gap is not None:
                failing.append(self._fails(c, gap.kind, where))
            elif (0, c) in lacking.values:
                failing += self._against_weather(c, lacking.values[0, c], where, epochs)
            elif check.question is None:
                failing += self._stand_in(c, lacking, where, epochs)
        return failing

    def _fails(self, c: int, kind: GapKind, where: Bools) -> _Failing:
        limit = self.checks[c].limit
        own = limit.grades if limit is not None and kind is GapKind.UNFIT else ()
        return _Failing(c, kind, where, own or self.requirement.grades)

    def _against_weather(self, c: int, value: float, where: Bools, epochs: Ints) -> list[_Failing]:
        """An answer against a limit measured from a metric: crossed, or, if nowhere, not to be judged."""
        limit, relative = self.checks[c].limit, self.checks[c].relative
        assert limit is not None
        assert relative is not None
        at_most = limit.at_most is not None
        bound = self.weather.bound(relative, at_most=at_most)[epochs]
        unknown = np.isnan(value) | ~self.weather.grid.complete(relative.metric)[epochs]
        with np.errstate(invalid="ignore"):
            crossed = value > bound if at_most else value < bound
        known = where & crossed
        untold = where & unknown & ~known.any(axis=1, keepdims=True)
        return [self._fails(c, GapKind.UNFIT, known), self._fails(c, GapKind.UNANSWERED, untold)]

    def _stand_in(self, c: int, lacking: Lacks, where: Bools, epochs: Ints) -> list[_Failing]:
        """A stand-in counts only where its own condition is certain to hold."""
        record = lacking.holdings[0, 0].record
        if record is None or record.body.stand_in is None:
            return []
        named = (s for s in self.requirement.stands_in if s.id == record.body.stand_in)
        stand_in = next(named, None)
        if stand_in is not None:
            where = where & ~self.weather.truth(stand_in.when).certain[epochs]
        return [self._fails(c, GapKind.UNFIT, where)]

    def _lacks(self, held: Held) -> Lacks:
        """What somebody of whom this is known lacks, by the ordinary rules; each state once."""
        if held not in self._known:
            self._known[held] = self._worked_out(held)
        return self._known[held]

    def _worked_out(self, held: Held) -> Lacks:
        role = next(iter(self.requirement.roles), Role.CLIMBER)
        actor = Actor(id=SOMEONE, name="Someone", role="office")
        body = MemberSet(member=SOMEONE, profile=MemberProfile(name="Someone", role=role))
        picture = Picture(
            members={SOMEONE: Record(body, UUID(int=0), actor, "review", _LONG_AGO)},
            sightings={
                (SOMEONE, self.requirement.id): records_of(held.payload, SOMEONE, self.requirement.id)
            },
        )
        dates: dict[str, Any] = {"starts_on": held.starts_on, "ends_on": held.ends_on}
        plan = TripPlan.model_construct(**dates)
        return lacks(self.edition, plan, picture)
