"""What the forms of a flag ask, and what is read from them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Literal

from pydantic import ValidationError

from api.errors import Invalid, NotFound, from_validation
from api.journal.kinds import Answer, Bound, GearState, Known, Sighting
from api.kitlist.metrics import METRICS
from api.kitlist.schemas import Question, Requirement
from api.readiness.acceptance import Wider
from api.readiness.evaluation import Evaluation
from api.readiness.life import number
from api.readiness.schemas import Board
from web import words
from web.pages.roster_forms import Form

SPANS = {"1h": timedelta(hours=1), "3h": timedelta(hours=3), "12h": timedelta(hours=12)}
SIDES: dict[str, Literal["not-below", "not-above"]] = {"not-below": "not-below", "not-above": "not-above"}
HOLD = "hold"
NEXT = "next"
"""Until the next hold point, or for three hours when its time is past."""


def until(sent: Form, board: Board) -> datetime:
    """Until when somebody sees to it. Raises Invalid for what is none of the choices."""
    chosen = sent.text("until")
    ahead = next((hold for hold in board.holds if hold.next), None)
    at_hold = ahead is not None and ahead.at > board.as_of
    if ahead is not None and at_hold and chosen in (HOLD, NEXT):
        return ahead.at
    if chosen == NEXT:
        return board.as_of + SPANS["3h"]
    if chosen in SPANS:
        return board.as_of + SPANS[chosen]
    raise Invalid.field("until", chosen, "This is none of the choices.", "Choose until when you see to it.")


def wider(sent: Form) -> list[Wider]:
    """The worse numbers that were typed: `wider.freezing_level_m.not-below` and the like."""
    found = []
    for name in sent.names():
        start, _, rest = name.partition(".")
        metric, _, side = rest.partition(".")
        if start == "wider" and side in SIDES and (value := sent.decimal(name)) is not None:
            found.append(Wider(metric, SIDES[side], value))
    sent.check()
    return found


def requirement(evaluation: Evaluation, finding: str) -> Requirement:
    """The line of the kit list that a finding is about. Raises NotFound."""
    wanted = finding.partition(".")[2]
    found = evaluation.edition.requirement(wanted) if evaluation.edition else None
    if found is None:
        raise NotFound("This is no line of the kit list; what clears it is said on its page.")
    return found


def sighting(sent: Form, finding: str, requirement: Requirement) -> Sighting:
    """What was found. Raises Invalid with everything that cannot be used."""
    state = sent.text("state")
    answers: dict[str, Answer] = {}
    if state != GearState.ABSENT:
        for question in requirement.questions:
            answer = _answer(sent, question)
            if answer is not None:
                answers[question.id] = answer
    count = sent.decimal("count")
    sent.check()
    try:
        return Sighting(
            subject=finding.partition(".")[0],
            requirement=requirement.id,
            known=Known(sent.text("known")) if sent.text("known") in set(Known) else Known.UNKNOWN,
            state=GearState(state) if state in set(GearState) else GearState.UNFIT,
            count=count,
            answers=answers,
            remark=sent.text("remark"),
        )
    except ValidationError as error:
        raise from_validation(error.errors()) from error


def _answer(sent: Form, question: Question) -> Answer | None:
    name = f"answer-{question.id}"
    if question.kind == "number":
        return sent.decimal(name)
    text = sent.text(name)
    if not text:
        return None
    return text == "yes" if question.kind == "yes-no" else text


@dataclass(frozen=True, slots=True)
class Widening:
    """A number that an acceptance can be let out to."""

    field: str
    label: str
    unit: str


def widenings(bounds: Sequence[Bound]) -> tuple[Widening, ...]:
    """One for each metric and side of which a value is known, with the worst that it is on any stage."""
    worst: dict[tuple[str, str], float] = {}
    for bound in bounds:
        if bound.value is not None:
            here, worse = (bound.metric, bound.comparison), min if bound.comparison == "not-below" else max
            worst[here] = worse(bound.value, worst.get(here, bound.value))
    return tuple(
        Widening(
            f"wider.{metric}.{side}",
            f"{words.sentence(METRICS[metric].title).rstrip('.')},"
            f" {'down' if side == 'not-below' else 'up'} to (now {number(value, METRICS[metric].unit)})",
            "" if METRICS[metric].unit == "1" else METRICS[metric].unit,
        )
        for (metric, side), value in worst.items()
    )
