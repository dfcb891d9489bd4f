"""What a plan says remains of a gap must be what the board shows once the thing is handed out and tried."""

from datetime import date
from typing import Any

import pytest

from api.db import Database
from api.ids import new_id
from api.journal.entry import Actor, Entry
from api.journal.fold import fold
from api.journal.kinds import Answer, GearState, Known, Sighting
from api.kitlist.schemas import Grade, Question
from api.locker import queries
from api.locker.options import Options, options
from api.locker.residual import residual
from api.locker.service import stock_for
from api.readiness.findings import findings
from api.readiness.lacks import lacks
from api.readiness.service import Readiness
from seeds import loading
from tests.locker.conftest import LEAD, OUTFIT, TRIP

pytestmark = pytest.mark.one_database
FIRST, LAST = date(2026, 9, 12), date(2026, 9, 15)
MOMENTS = ("laid-out", "leaving", "front-earlier", "second-front")


def bring_to(db: Database, readiness: Readiness, moment: str) -> None:
    """Take the demo's story to a moment."""
    with db.writing() as work:
        while (reached := loading.reached(work, readiness.journal)) is not None and reached.id != moment:
            assert loading.advance(work, readiness.journal) is not None, f"the story has no {moment}"


def open_options(db: Database, readiness: Readiness) -> tuple[Any, Options]:
    with db.reading() as conn:
        evaluation = readiness.evaluation(conn, OUTFIT, TRIP)
        stock = stock_for(conn, LEAD, FIRST, LAST, today=FIRST)
    return evaluation, options(evaluation, stock, (), now=readiness.clock.now())


def fitting(question: Question) -> Answer:
    """An answer with which nothing is amiss."""
    limits = question.limits
    if question.kind == "yes-no":
        return bool(limits[0].want)
    if question.kind == "choice":
        return next(c.id for c in question.choices if all(c.id in limit.one_of for limit in limits))
    if question.kind == "date":
        return LAST.isoformat()
    return 1_000.0 if limits[0].at_least is not None else -1_000.0


@pytest.mark.parametrize("moment", MOMENTS)
def test_remains_is_what_the_board_would_show(db: Database, readiness: Readiness, moment: str) -> None:
    bring_to(db, readiness, moment)
    evaluation, found = open_options(db, readiness)
    with db.reading() as conn:
        entries = readiness.journal.picture(conn, OUTFIT, TRIP).entries
        items = {item.id: item for item in queries.items(conn, OUTFIT)}
    tried = 0
    for offer in found.problem.offers:
        giver = found.givers[offer.source]
        if giver.source != "locker" or giver.id is None:
            continue
        finding = found.findings[offer.need]
        requirement = evaluation.edition.requirement(finding.requirement)
        open_ = [q for q in requirement.questions if q.id not in items[giver.id].answers]
        answers = {q.id: fitting(q) for q in open_} | dict(items[giver.id].answers)
        body = Sighting(
            subject=finding.subject,
            requirement=finding.requirement,
            known=Known.TRIED,
            state=GearState.FITS,
            answers={q.id: answers[q.id] for q in requirement.questions},
        )
        replaced = tuple(record.entry for record in finding.evidence)
        entry = Entry(
            id=new_id(),
            trip=TRIP,
            body=body,
            actor=Actor(id="p01", name="Maren", role="lead"),
            device="test",
            happened_at=readiness.clock.now(),
            after=replaced,
        )
        picture = fold([*entries, entry])
        shown = findings(evaluation.asks, lacks(evaluation.edition, evaluation.plan, picture), picture)
        after = next((f for f in shown if f.id == finding.id), None)
        assert (after.grade if after is not None else None) == offer.leaves, (finding.id, giver.id)
        tried += 1
    assert tried >= 5


def test_the_thin_bag_is_turned_down_with_the_reason(db: Database, readiness: Readiness) -> None:
    _, found = open_options(db, readiness)
    assert "p10.sleeping-bag|locker:sb-01" in {f"{o.need}|{o.source}" for o in found.problem.offers}
    bring_to(db, readiness, "second-front")
    _, found = open_options(db, readiness)
    thin = [why for why in found.turned_down["p10.sleeping-bag"] if "sb-02" in why]
    assert len(thin) == 1


def test_bag_of_no_stated_figures_is_to_be_asked_about(db: Database, readiness: Readiness) -> None:
    evaluation, _ = open_options(db, readiness)
    index = [r.id for r in evaluation.edition.requirements].index("sleeping-bag")
    left = residual(evaluation, index, {})
    assert left.grade is None
    assert len(left.unknown) > 2


def test_worse_than_nothing_known_is_said(db: Database, readiness: Readiness) -> None:
    evaluation, _ = open_options(db, readiness)
    index = [r.id for r in evaluation.edition.requirements].index("glacier-glasses")
    left = residual(evaluation, index, {"category": 2, "side-cover": True, "clear-view": True})
    assert left.grade is Grade.STOP
    assert left.remains
