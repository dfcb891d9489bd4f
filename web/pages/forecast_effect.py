"""What a forecast asks of a trip, and what it changed when it came. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from api.conditions.stages import StageConditions
from api.kitlist.metrics import METRICS
from api.readiness.board import Evaluation
from api.readiness.schemas import Finding
from web import words

METRICS_SHOWN = (
    ("freezing_level_m", "low"),
    ("air_temperature_c", "low"),
    ("wind_chill_c", "low"),
    ("wind_mps", "high"),
    ("gust_mps", "high"),
    ("precipitation_mm", "high"),
    ("new_snow_cm", "high"),
    ("uv_index", "high"),
)
"""The numbers a stage is summed up in, and which end of each matters."""
_ENDS = {"low": "lowest", "high": "highest"}


@dataclass(frozen=True, slots=True)
class Moved:
    """A gap of one kind that opened, closed or changed its grade, and for whom."""

    item: str
    says: str
    who: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Effect:
    """What differs between two evaluations of a trip."""

    opened: tuple[Moved, ...]
    graded: tuple[Moved, ...]
    closed: tuple[Moved, ...]

    def __bool__(self) -> bool:
        return bool(self.opened or self.graded or self.closed)


@dataclass(frozen=True, slots=True)
class StageLine:
    """What a stage will be like: a number's title, its value and its unit, in words of the registry."""

    name: str
    numbers: tuple[tuple[str, float, str], ...]
    unknown: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Asked:
    """A requirement that is asked because of conditions, and on which stages."""

    item: str
    stages: tuple[str, ...]
    certain: bool
    """False: the forecast does not say, so it is treated as asked."""


def effect(before: Evaluation, after: Evaluation) -> Effect:
    """What the step from one evaluation to another opened, closed, or gave another grade."""
    old = {finding.id: finding for finding in before.findings}
    new = {finding.id: finding for finding in after.findings}
    both = [new[id_] for id_ in new if id_ in old]
    return Effect(
        opened=_grouped(found for id_, found in new.items() if id_ not in old),
        graded=_grouped(found for found in both if _grade(found) != _grade(old[found.id])),
        closed=_grouped(found for id_, found in old.items() if id_ not in new),
    )


def stage_lines(evaluation: Evaluation) -> Sequence[StageLine]:
    """Each stage in the numbers that matter most."""
    conditions = evaluation.conditions
    return [_stage_line(conditions, at, stage.name) for at, stage in enumerate(evaluation.plan.stages)]


def asked(evaluation: Evaluation) -> Sequence[Asked]:
    """The requirements that have a condition and are asked, in the order of the edition."""
    asks, edition = evaluation.asks, evaluation.edition
    if asks is None or edition is None:
        return []
    found = []
    for index, requirement in enumerate(edition.requirements):
        presence = asks.checks_of_requirement(index)[0]
        here = asks.asked[asks.base, :, presence]
        if requirement.when is not None and here.any():
            stages = tuple(s.name for s, yes in zip(evaluation.plan.stages, here, strict=True) if yes)
            certain = bool(asks.certain[asks.base, :, presence].any())
            found.append(Asked(requirement.item, stages, certain))
    return found


def _stage_line(conditions: StageConditions, stage: int, name: str) -> StageLine:
    numbers: list[tuple[str, float, str]] = []
    unknown: list[str] = []
    for metric, end in METRICS_SHOWN:
        side = conditions.low if end == "low" else conditions.high
        title = METRICS[metric].title
        value = float(side[metric][conditions.base, stage])
        if value == value:
            # A sum over the stage has no lower and higher end.
            end_word = f"{_ENDS[end]} " if METRICS[metric].span == "hour" else ""
            numbers.append((f"{end_word}{title}", value, METRICS[metric].unit))
        if not conditions.complete[metric][conditions.base, stage]:
            unknown.append(title)
    return StageLine(name, tuple(numbers), tuple(unknown))


def _grade(finding: Finding) -> tuple[str, str, bool]:
    return finding.grade.value, finding.hold.value, finding.known_gap


def _grouped(found: Iterable[Finding]) -> tuple[Moved, ...]:
    groups: dict[tuple[str, str], list[str]] = {}
    for finding in found:
        known = "" if finding.known_gap else f", {words.KINDS[finding.kind]}"
        says = f"{words.GRADES[finding.grade].lower()} before {finding.hold_name}{known}"
        groups.setdefault((finding.item, says), []).append(finding.subject_name)
    return tuple(Moved(item, says, tuple(who)) for (item, says), who in groups.items())
