"""When to turn round: from dark, the pace and the margin, each of which the lead guide may set."""

from datetime import timedelta

import pytest

from api.call import rules
from api.call.record import evaluated
from api.call.service import Sitting
from api.errors import Invalid, NotFound
from api.ids import new_id
from api.journal.fold import record_of
from tests.call.calling import TRIP, Expedition


def turn(trip: Expedition) -> rules.Turnaround:
    picture = trip.picture()
    assert picture.trip is not None
    found = rules.turnaround(picture.trip, picture, trip.clock.now())
    assert found is not None
    return found


def set_pace(trip: Expedition, down_h: float | None, margin_h: float | None) -> None:
    stage = turn(trip).stage
    with trip.database.writing() as work:
        trip.calls.set_pace(Sitting(work, trip.reader(), TRIP, entry=new_id()), stage, down_h, margin_h)
    trip.clock.advance(timedelta(seconds=1))


def test_dark_minus_the_way_down_minus_the_margin(trip: Expedition) -> None:
    planned = turn(trip)
    assert planned.dark_at is not None
    assert (planned.down_h, planned.margin_h, planned.pace_set) == (planned.plan_down_h, 1.0, False)
    set_pace(trip, planned.plan_down_h + 1.5, 0.5)
    slower = turn(trip)
    assert slower.latest_at is not None
    assert planned.latest_at is not None
    assert slower.latest_at == planned.latest_at - timedelta(hours=1)
    assert (slower.down_h, slower.plan_down_h, slower.margin_h) == (planned.down_h + 1.5, planned.down_h, 0.5)
    set_pace(trip, None, None)
    assert turn(trip).latest_at == planned.latest_at


def test_the_later_of_a_time_and_a_pace_counts(trip: Expedition) -> None:
    first = turn(trip)
    moment = first.planned_at + timedelta(minutes=7)
    set_pace(trip, 2.0, 1.0)
    with trip.database.writing() as work:
        trip.calls.set_turnaround(Sitting(work, trip.reader(), TRIP, entry=new_id()), first.stage, moment)
    trip.clock.advance(timedelta(seconds=1))
    assert (turn(trip).at, turn(trip).is_set) == (moment, True)
    set_pace(trip, 2.0, 2.0)
    assert turn(trip).is_set is False
    assert turn(trip).at == turn(trip).latest_at


def test_what_cannot_be_is_refused_and_nothing_is_written(trip: Expedition) -> None:
    before = trip.snapshot().seq
    for down_h, margin_h in ((0.0, 1.0), (-1.0, None), (None, -0.1), (100.0, None)):
        with pytest.raises(Invalid):
            set_pace(trip, down_h, margin_h)
    with pytest.raises(NotFound), trip.database.writing() as work:
        trip.calls.set_pace(Sitting(work, trip.reader(), TRIP), "nowhere", 1.0, None)
    assert trip.snapshot().seq == before


def test_a_record_holds_pace_and_margin_only_where_they_were_set(trip: Expedition) -> None:
    def told() -> dict[str, object]:
        trip.call("wait", reason="for the forecast")
        snapshot = trip.snapshot()
        call = next(e for e in reversed(snapshot.entries) if e.kind == "call-made")
        with trip.database.reading() as conn:
            evaluation = trip.calls.evaluation(conn, trip.reader(), TRIP, call.seq)
        made: dict[str, object] = evaluated(evaluation, record_of(call))["turnaround"]
        return made

    assert "margin_h" not in told()
    set_pace(trip, None, 0.75)
    assert (told()["margin_h"], told()["pace_set"]) == (0.75, True)
