"""Accepting a gap by name: what it is bound to is worked out from how things stand at that moment."""

from api.errors import Conflict, NotFound
from api.journal.kinds import FlagAccepted
from api.readiness.evaluation import Evaluation
from api.readiness.life import bounds_of
from api.readiness.schemas import Finding, GapKind


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


def acceptance(evaluation: Evaluation, finding_id: str, reason: str) -> FlagAccepted:
    """The acceptance of a gap as it is now, with the numbers and the evidence it holds for.

    Raises NotFound when there is no such gap, and CannotBeAccepted for a limit of the permit.
    """
    finding = open_finding(evaluation, finding_id)
    if finding.kind is GapKind.RULE and finding.basis.kind == "law-or-permit":
        raise CannotBeAccepted(
            f"{finding.title}. A limit of the permit cannot be accepted away. {finding.clears}"
        )
    return FlagAccepted(
        finding=finding.id,
        reason=reason,
        hold=finding.hold,
        grade=finding.grade.value,
        gap=finding.kind.value,
        bounds=bounds_of(evaluation, finding),
        evidence=finding.rests_on,
    )
