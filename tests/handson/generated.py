"""Generated people, kit lists and weather, to hold the phone's judgement against the service's."""

from __future__ import annotations

import random
from dataclasses import dataclass
from datetime import timedelta
from typing import Any

import numpy as np

from api.access.current import Reader
from api.conditions.stages import StageConditions
from api.handson.compiled import hands_on
from api.handson.schemas import HandsOn
from api.journal.chain import moment
from api.journal.entry import Actor, Entry
from api.journal.fold import Picture
from api.journal.kinds import PARTY, GearState, HoldPassed, Known, MemberSet, RopesSet, Sighting
from api.journal.trip import HoldKind, MemberProfile, Role, RopeTeam, TripPlan
from api.kitlist.loading import read_file, shipped
from api.kitlist.metrics import CONDITION_METRICS
from api.kitlist.schemas import Edition, Question, Requirement
from api.readiness.evaluation import evaluate
from api.readiness.schemas import Finding
from tests.readiness import building

READER = Reader("outfit", "lead", "Lead", "lead")
WRITERS = tuple(
    Actor(id=role, name=f"The {role}", role=role) for role in ("lead", "assistant", "climber", "office")
)
RANGES = {"°C": (-40.0, 15.0), "m": (1500.0, 5200.0), "m/s": (0.0, 35.0), "1": (0.0, 12.0), "h": (0.0, 14.0)}
STAGES, SCENARIOS, PEOPLE = 4, 3, 25


@dataclass(frozen=True)
class Case:
    """A trip as a phone takes it along, and what the service finds on it."""

    taken: HandsOn
    picture: Picture
    records: dict[str, list[dict[str, Any]]]
    findings: tuple[Finding, ...]

    def expected(self) -> dict[str, dict[str, Any]]:
        """Findings as the phone tells them."""
        return {finding.id: told(finding) for finding in self.findings if finding.requirement != "rule"}


def told(finding: Finding) -> dict[str, Any]:
    return {
        "id": finding.id,
        "subject": finding.subject,
        "requirement": finding.requirement,
        "kind": finding.kind.value,
        "known_gap": finding.known_gap,
        "grade": finding.grade.value,
        "hold": finding.hold.value,
        "hold_name": finding.hold_name,
        "also": [
            {"grade": also.grade.value, "hold": also.hold.value, "hold_name": also.hold_name}
            for also in finding.also
        ],
        "stage": finding.first_stage,
        "says": finding.title.split(" – ", 1)[1],
        "title": finding.title,
        "reasons": [
            {
                "kind": reason.kind.value,
                "says": reason.says,
                "question": reason.question,
                "answer": reason.answer,
                "asked": reason.asked,
            }
            for reason in finding.reasons
        ],
    }


class Generator:
    """Draws trips from a seed."""

    def __init__(self, seed: int) -> None:
        self.chance = random.Random(seed)
        self._whole = read_file(shipped()["glaciated-peak"])

    def case(self) -> Case:
        """A party of `PEOPLE` under drawn conditions, checked with drawn results."""
        edition = self.edition()
        plan = building.plan(STAGES, edition_id=edition.id)
        entries = [*self._people(), *self._holds(), *self._sightings(edition)]
        picture = building.picture(plan, *entries)
        evaluation = evaluate("test", 1, picture, plan, edition, self.conditions(plan), self._quantities())
        # What bodies and nights lack is judged on the board; a phone judges things.
        things = {requirement.id for requirement in edition.requirements if requirement.is_thing}
        findings = tuple(f for f in evaluation.findings if f.requirement in things)
        taken = hands_on(evaluation, (), READER, may_record=True)
        return Case(taken, picture, _records(picture), findings)

    def edition(self) -> Edition:
        """Some lines of the shipped kit list and one that is all limits and grades."""
        lines = self.chance.sample(self._whole.requirements, 14)
        return self._whole.model_copy(update={"requirements": (*lines, self._made_up())})

    def _made_up(self) -> Requirement:
        built = building.edition(
            building.requirement(
                "made-up",
                takes=self.chance.choice(["said", "seen", "tried"]),
                when=self._condition(),
                how_many={"count": self.chance.choice([1, 2, 2.5])},
                life_safety=self.chance.random() < 0.3,
                grades=self._grades(),
                stands_in=[{"id": "other-thing", "item": "Other thing", "when": self._condition()}],
                questions=[
                    {
                        "id": "rating",
                        "ask": "To what temperature?",
                        "kind": "number",
                        "unit": "°C",
                        "limits": [
                            {
                                "at_most": {"metric": "night_low_c", "plus": "2.25 °C"},
                                "says": "Too thin.",
                                "grades": self._grades(),
                            },
                            {
                                "at_least": {"metric": "sleep_min_c"},
                                "when": self._condition(),
                                "says": "Too warm.",
                            },
                        ],
                    },
                    {
                        "id": "made-on",
                        "ask": "Made when?",
                        "kind": "date",
                        "needs": "pictured",
                        "limits": [
                            {"within_years": self.chance.choice([1, 2.5, 10]), "says": "Too old."},
                            {"not_before": "trip-end", "when": self._condition(), "says": "Over by then."},
                        ],
                    },
                ],
            )
        )
        return built.requirements[0]

    def _condition(self) -> dict[str, Any]:
        level = f"{self.chance.randrange(2000, 5000, 100)} m"
        leaf = {"metric": "freezing_level_m", "below": level}
        cold = {"metric": "wind_chill_c", "below": f"{self.chance.randrange(-35, 0)} °C"}
        return self.chance.choice(
            [leaf, cold, {"all": [leaf, cold]}, {"any": [leaf, {"terrain": ["glacier"]}]}]
        )

    def _grades(self) -> list[dict[str, Any]]:
        def rule() -> dict[str, Any]:
            grade, hold = (
                self.chance.choice(["stop", "fix", "advise"]),
                self.chance.choice(list(HoldKind)).value,
            )
            return {"grade": grade, "at": hold, "when": self._condition()}

        first = rule()
        return [
            {**first, "also": [rule()]},
            rule(),
            *([{"grade": "fix", "at": "base"}] if self.chance.random() < 0.6 else []),
        ]

    def conditions(self, plan: TripPlan) -> StageConditions:
        """Numbers in wide ranges; here and there one is not known."""
        metrics = {}
        for name, metric in CONDITION_METRICS.items():
            low, high = RANGES.get(metric.unit, (0.0, 100.0))
            values = [
                [round(self.chance.uniform(low, high), self.chance.choice([0, 2])) for _ in range(STAGES)]
                for _ in range(SCENARIOS)
            ]
            grid = np.array(values)
            grid[np.array([[self.chance.random() < 0.12] * STAGES for _ in range(SCENARIOS)])] = np.nan
            metrics[name] = grid.tolist()
        return building.conditions(plan, metrics, SCENARIOS)

    def _quantities(self) -> dict[str, Any]:
        grid = np.array(
            [self.chance.choice([np.nan, self.chance.randrange(500, 9000)]) for _ in range(SCENARIOS)]
        )
        return {"fuel_plan_g": grid}

    def _people(self) -> list[Entry]:
        ids = [f"m{n}" for n in range(PEOPLE)]
        people = [
            building.entry(
                MemberSet(
                    member=id_, profile=MemberProfile(name=id_.upper(), role=self.chance.choice(list(Role)))
                )
            )
            for id_ in ids
        ]
        ropes = tuple(RopeTeam(id=f"r{n}", name=f"Rope {n}", members=tuple(ids[n::4])) for n in range(4))
        return [*people, building.entry(RopesSet(ropes=ropes))]

    def _holds(self) -> list[Entry]:
        passed = [kind for kind in HoldKind if self.chance.random() < 0.2]
        return [building.entry(HoldPassed(hold=kind.value, at=building.START)) for kind in passed]

    def _sightings(self, edition: Edition) -> list[Entry]:
        subjects = [*(f"m{n}" for n in range(PEOPLE)), *(f"r{n}" for n in range(4)), PARTY]
        found: list[Entry] = []
        for subject in subjects:
            for requirement in edition.requirements:
                for _ in range(self.chance.choice([0, 1, 1, 1, 1, 2, 2, 3])):
                    at = building.START + timedelta(seconds=self.chance.randrange(100))
                    body = self._sighting(subject, requirement)
                    found.append(building.entry(body, at=at, actor=self.chance.choice(WRITERS)))
        return found

    def _sighting(self, subject: str, requirement: Requirement) -> Sighting:
        chance = self.chance
        stands_in = [one.id for one in requirement.stands_in] + ["no-such-thing"]
        return Sighting(
            subject=subject,
            requirement=requirement.id,
            known=chance.choice(
                [Known.SAID, Known.PICTURED, Known.SEEN, Known.SEEN, Known.TRIED, Known.TRIED]
            ),
            state=chance.choice([*[GearState.FITS] * 6, GearState.UNFIT, GearState.ABSENT]),
            count=chance.choice([None, None, 1, 2, 2.5, float(chance.randrange(9000))]),
            answers={q.id: self._answer(q) for q in requirement.questions if chance.random() < 0.75},
            stand_in=chance.choice(stands_in) if chance.random() < 0.1 else None,
            remark=chance.choice(["", "", "“zip” stuck – half"]),
        )

    def _answer(self, question: Question) -> bool | float | str:
        chance = self.chance
        if chance.random() < 0.03:
            odd: list[bool | float | str] = [True, 3.5, "something else"]
            return chance.choice(odd)
        match question.kind:
            case "yes-no":
                return chance.random() < 0.7
            case "choice":
                return chance.choice(question.choices).id
            case "date":
                day = building.START.date() + timedelta(days=chance.randrange(-5000, 1500))
                return chance.choice([day.isoformat(), day.isoformat(), f"{day:%Y%m%d}", "2026-02-30"])
            case _:
                return chance.choice(
                    [float(chance.randrange(-40, 60)), chance.uniform(-40, 2000), 0.25 * chance.randrange(9)]
                )


def _records(picture: Picture) -> dict[str, list[dict[str, Any]]]:
    """What stands, as the phone's own fold hands it to the evaluator."""
    return {
        f"{subject}.{requirement}": [
            {
                **record.body.model_dump(mode="json"),
                "id": str(record.entry),
                "at": moment(record.happened_at),
                "writer": record.actor.model_dump(),
            }
            for record in records
        ]
        for (subject, requirement), records in picture.sightings.items()
    }
