"""A trip evaluated: both matrices, and the findings between them. Pure."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from api.body.whole import Body
from api.conditions.stages import StageConditions
from api.journal.fold import Picture
from api.journal.trip import TripPlan
from api.kitlist.schemas import Edition
from api.nights.rules import Assessment, assessments
from api.readiness.asks import Asks, asks
from api.readiness.bodies import looked_at_again as bodies_after
from api.readiness.body_findings import asked_of_the_body, body_asked, body_findings
from api.readiness.findings import Floats, finding_of, findings, rank
from api.readiness.lacks import Lacks, lacks, looked_at_again
from api.readiness.night_findings import REQUIREMENTS, night_findings
from api.readiness.ropes import rope_findings
from api.readiness.schemas import Finding


@dataclass(frozen=True, slots=True)
class Evaluation:
    """A trip evaluated at one state of its journal and forecast; does not depend on the present moment."""

    trip: str
    seq: int
    picture: Picture
    plan: TripPlan
    edition: Edition | None
    conditions: StageConditions
    asks: Asks | None
    lacks: Lacks | None
    findings: tuple[Finding, ...]
    quantities: Mapping[str, Floats] = field(default_factory=dict)
    """Computed amounts by metric name and scenario."""
    nights: Mapping[str, Assessment] = field(default_factory=dict)
    """Everyone's nights against the guideline, by member."""
    bodies: Body | None = None
    """Where the edition asks anything of bodies."""

    @property
    def edition_awaited(self) -> bool:
        """Whether the plan names an edition that is not here, as a journal brought from elsewhere may."""
        return self.edition is None and self.plan.edition_id is not None


def evaluate(
    trip: str,
    seq: int,
    picture: Picture,
    plan: TripPlan,
    edition: Edition | None,
    conditions: StageConditions,
    quantities: Mapping[str, Floats] | None = None,
) -> Evaluation:
    """Evaluate a trip: both matrices and the findings between them, and how ropes and party are made up."""
    amounts = quantities or {}
    asked = asks(edition, plan, conditions) if edition else None
    bare = Evaluation(trip, seq, picture, plan, edition, conditions, asked, None, (), amounts)
    return with_picture(bare, seq, picture)


def with_picture(before: Evaluation, seq: int, picture: Picture) -> Evaluation:
    """The same plan, people count and forecast, with another picture of who and what is there."""
    lacking: Lacks | None = None
    found: tuple[Finding, ...] = ()
    bodies: Body | None = None
    if before.asks is not None and before.edition is not None:
        lacking = lacks(before.edition, before.plan, picture)
        found = tuple(
            f
            for f in findings(before.asks, lacking, picture, before.quantities)
            if f.requirement not in REQUIREMENTS
        )
        bodies = body_asked(before.asks, lacking, picture)
        found = (*found, *body_findings(before.asks, lacking, picture, bodies))
    slept = assessments(before.plan, picture)
    together = (
        *found,
        *rope_findings(before.plan, picture, before.edition),
        *_of_nights(before, picture, slept),
    )
    return replace(
        before,
        seq=seq,
        picture=picture,
        lacks=lacking,
        findings=tuple(sorted(together, key=rank)),
        nights=slept,
        bodies=bodies,
    )


def _of_nights(before: Evaluation, picture: Picture, slept: Mapping[str, Assessment]) -> tuple[Finding, ...]:
    weather = before.asks.weather if before.asks is not None else None
    return night_findings(before.plan, picture, before.edition, weather, slept)


def with_nights(before: Evaluation, seq: int, picture: Picture) -> Evaluation:
    """The same, where `picture` differs only in the nights told and in private notes."""
    kept = [f for f in before.findings if f.requirement not in REQUIREMENTS]
    slept = assessments(before.plan, picture)
    together = (*kept, *_of_nights(before, picture, slept))
    return replace(before, seq=seq, picture=picture, findings=tuple(sorted(together, key=rank)), nights=slept)


def with_sightings(
    before: Evaluation, seq: int, picture: Picture, subject: str, requirement: str
) -> Evaluation:
    """The same, where `picture` differs only in the sightings of one requirement of one subject."""
    asked, lacking, edition = before.asks, before.lacks, before.edition
    if asked is None or lacking is None or edition is None:
        return replace(before, seq=seq, picture=picture)
    p = next((i for i, s in enumerate(lacking.subjects) if s.id == subject), None)
    r = next((i for i, q in enumerate(edition.requirements) if q.id == requirement), None)
    if p is None or r is None or (p, r) not in lacking.holdings:
        return replace(before, seq=seq, picture=picture)
    lacking = looked_at_again(lacking, before.plan, picture, p, r)
    found = finding_of(asked, lacking, picture, before.quantities, p, r)
    kept = [f for f in before.findings if (f.subject, f.requirement) != (subject, requirement)]
    bodies = before.bodies
    if bodies is not None:
        # One thing more or less changes what its owner can put on, sleep in or carry, and nobody else.
        bodies = bodies_after(bodies, lacking, p)
        own = [person for person in bodies.people if person.id == subject]
        alone = bodies.of(own) if own else bodies
        of_bodies = {q.id for q in edition.requirements if asked_of_the_body(q)}
        kept = [f for f in kept if f.subject != subject or f.requirement not in of_bodies]
        kept += body_findings(asked, lacking, picture, alone, only=subject)
    together = [*kept, found] if found is not None else kept
    return replace(
        before,
        seq=seq,
        picture=picture,
        lacks=lacking,
        findings=tuple(sorted(together, key=rank)),
        bodies=bodies,
    )
