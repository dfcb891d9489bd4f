"""Accepting a gap by name: what it is bound to is worked out from how things stand at that moment."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from api.errors import Conflict, Invalid, NotFound
from api.journal.kinds import Bound, FlagAccepted
from api.kitlist.metrics import METRICS
from api.readiness.evaluation import Evaluation
from api.readiness.life import bounds_of, limit_of_the_permit, number
from api.readiness.schemas import Finding


@dataclass(frozen=True, slots=True)
class Wider:
    """A worse number than today's that an acceptance is to hold for as well, on every stage it looks at."""

    metric: str
    comparison: Literal["not-below", "not-above"]
    value: float
    """In the unit the metric registry gives."""


class CannotBeAccepted(Conflict):
    """A gap that no lead guide can accept; what else can be done is said."""

    code = "cannot-be-accepted"
    title = "Cannot be accepted"


def open_finding(evaluation: Evaluation, finding_id: str) -> Finding:
    """A finding of a trip by its id. Raises NotFound when it is not there (any more)."""
    found = next((f for f in evaluation.findings if f.id == finding_id), None)
    if found is None:
        raise NotFound(
            f"There is no open finding {finding_id}. It may have been cleared; the board says what is open."
        )
    return found


def acceptance(
    evaluation: Evaluation, finding_id: str, reason: str, wider: Sequence[Wider] = ()
) -> FlagAccepted:
    """The acceptance of a gap as it is now, with the numbers and the evidence it holds for.

    `wider` lets it hold for worse numbers too; a gap that weighs heavier opens again all the same. Raises
    NotFound when there is no such gap, CannotBeAccepted for a limit of the permit, and Invalid for a number
    that the gap does not look at or that is no worse than it is now.
    """
    finding = open_finding(evaluation, finding_id)
    if limit_of_the_permit(finding):
        raise CannotBeAccepted(
            f"{finding.title}. A limit of the permit cannot be accepted away. {finding.clears}"
        )
    return FlagAccepted(
        finding=finding.id,
        reason=reason,
        hold=finding.hold,
        grade=finding.grade.value,
        gap=finding.kind.value,
        bounds=_widened(bounds_of(evaluation, finding), wider),
        evidence=finding.rests_on,
    )


def _widened(bounds: tuple[Bound, ...], wider: Sequence[Wider]) -> tuple[Bound, ...]:
    for asked in wider:
        changed = tuple(_moved(bound, asked) for bound in bounds)
        if changed == bounds:
            raise _no_wider(bounds, asked)
        bounds = changed
    return bounds


def _moved(bound: Bound, asked: Wider) -> Bound:
    """A bound let out to a worse number; what is not known stays so, and nothing gets narrower."""
    if (bound.metric, bound.comparison) != (asked.metric, asked.comparison) or bound.value is None:
        return bound
    worse = min if asked.comparison == "not-below" else max
    return bound.model_copy(update={"value": worse(bound.value, asked.value)})


def _no_wider(bounds: tuple[Bound, ...], asked: Wider) -> Invalid:
    field = f"wider.{asked.metric}.{asked.comparison}"
    now = [
        bound.value
        for bound in bounds
        if (bound.metric, bound.comparison) == (asked.metric, asked.comparison) and bound.value is not None
    ]
    if not now:
        problem, remedy = "is nothing this gap depends on now.", "Leave it out."
        return Invalid.field(field, asked.value, problem, remedy)
    metric, down = METRICS[asked.metric], asked.comparison == "not-below"
    reached = number(min(now) if down else max(now), metric.unit)
    remedy = f"Give a number {'below' if down else 'above'} {reached}, or leave it out."
    return Invalid.field(field, asked.value, f"is no worse than {metric.title} is now.", remedy)
