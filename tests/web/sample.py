"""The demo trip, evaluated without a database, so that pages can be tested and looked at by themselves."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from functools import cache

from api.conditions.evaluate import evaluate as stage_conditions
from api.conditions.quantities import quantities
from api.conditions.sources.manual import to_forecast
from api.journal.fold import fold
from api.journal.kinds import ForecastReceived
from api.kitlist.loading import read_file, shipped
from api.readiness.board import Evaluation, evaluate
from api.readiness.board import board as board_of
from api.readiness.schemas import Board, PersonLine, RopeLine, Standing, Tally, Verdict
from seeds import demo

TRIP = demo.scenario().trip
START = demo.moments(demo.scenario())[0].at
"""The lay-out is done and nothing is mended yet."""

_HASHES = {"F1": "1" * 64, "F2": "2" * 64, "F3": "3" * 64}
NOTHING = Verdict(
    subject="party", standing=Standing.CLEAR, words="Nothing known to be missing", tally=Tally()
)


@cache
def evaluation(issue: str = "F1", *, listed: bool = True) -> Evaluation:
    """The trip as it stands at `START` under an invented forecast; without its kit list if not `listed`."""
    told = demo.scenario()
    edition = read_file(shipped()["glaciated-peak"])
    typed = demo.forecast(told, issue)
    writer = demo.Writer(told)
    received = ForecastReceived(
        forecast=_HASHES[issue], provider="Veskarin desk", label=issue, issued_at=typed.issued_at
    )
    writer.write(received, at=typed.issued_at, actor=demo.OFFICE)
    entries = [*demo.entries_of(edition, demo.moments(told)[0].id), *writer.entries]
    picture = fold(entries)
    plan = picture.trip
    assert plan is not None
    conditions = stage_conditions(plan, to_forecast(typed, plan.place), None)
    amounts = quantities(plan, conditions, len(picture.members))
    return evaluate(told.trip, len(entries), picture, plan, edition if listed else None, conditions, amounts)


def board(issue: str = "F1", *, now: datetime = START, listed: bool = True) -> Board:
    """The board of `evaluation`, demo and all."""
    return board_of(evaluation(issue, listed=listed), now=now, demo=True)


def clear_board() -> Board:
    """The same trip with nothing open at all."""

    def person(line: PersonLine) -> PersonLine:
        return line.model_copy(update={"verdict": NOTHING})

    def rope(line: RopeLine) -> RopeLine:
        return line.model_copy(update={"verdict": NOTHING, "people": tuple(map(person, line.people))})

    whole = board()
    changes = {"findings": (), "verdict": NOTHING, "ropes": tuple(map(rope, whole.ropes))}
    return whole.model_copy(update=changes)


def unseen_board() -> Board:
    """The trip before anyone has looked at anything, and without a forecast."""
    seen = evaluation()
    assert seen.edition is not None
    picture = replace(seen.picture, sightings={}, forecasts=())
    conditions = stage_conditions(seen.plan, None, None)
    nothing = evaluate(seen.trip, 1, picture, seen.plan, seen.edition, conditions)
    return board_of(nothing, now=START)
