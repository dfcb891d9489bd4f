"""After the call: tripwires, acceptances, new stops and forecasts. The scenario is invented."""

from datetime import datetime
from zoneinfo import ZoneInfo

import pytest

from api.call.watching import watch, wire_state
from api.journal.decisions import CallMade, TripwireCrossed, TripwireEnded, TripwireSet, Wire
from api.journal.kinds import GearState, Known, Sighting
from tests.call.calling import SECOND, Expedition

pytestmark = pytest.mark.one_database

ZONE = ZoneInfo("Asia/Bishkek")


def seen(trip: Expedition) -> dict[str, str]:
    """What has given way, by what it is about."""
    found = watch(trip.evaluation(), trip.clock.now())
    return {given.about: given.what for given in found.given} if found else {}


def test_nothing_is_watched_before_a_call(trip: Expedition) -> None:
    assert watch(trip.evaluation(), trip.clock.now()) is None


def test_a_forecast_crosses_a_tripwire_and_the_call_is_named(trip: Expedition) -> None:
    """F1 gives 3,900 m on the summit day, F2 3,350 m: the wire lies at 3,600 m."""
    trip.on()
    assert seen(trip) == {}
    trip.on()
    found = watch(trip.evaluation(), trip.clock.now())
    assert found is not None
    assert found.loud
    assert (found.call.actor.name, found.hold_name) == ("Maren Okafor-Lindqvist", "Harrow Station")
    by = {given.about: given for given in found.given}
    assert by["dry-mitts"].what == "tripwire"
    assert by["dry-mitts"].says.startswith("Freezing level under 3,600 m on the summit day – now 3,350 m")
    assert by["p07.backup-mitts"].what == "acceptance"
    assert by["party.fuel"].what == "acceptance"
    assert "1210 g short. Now fix before leaving for Shelf Camp, was advise" in by["party.fuel"].says


def test_a_tripwire_that_is_ended_is_quiet(trip: Expedition) -> None:
    trip.on()
    trip.on()
    trip.send(TripwireEnded(tripwire="dry-mitts", reason="Everyone has a dry pair"), seen_seq=10_000)
    assert "dry-mitts" not in seen(trip)


def test_a_tripwire_in_words_is_crossed_by_whoever_sees_it(trip: Expedition) -> None:
    trip.on()
    trip.send(TripwireSet(tripwire="cracks", says="Cracks shoot from the skis"))
    assert "cracks" not in seen(trip)
    trip.send(TripwireCrossed(tripwire="cracks", says="At the first steep roll"), actor=SECOND)
    found = watch(trip.evaluation(), trip.clock.now())
    assert found is not None
    (given,) = [given for given in found.given if given.about == "cracks"]
    assert "Tashi Wangdrak saw it crossed: At the first steep roll" in given.says


def test_new_evidence_that_stops_someone_is_loud(trip: Expedition) -> None:
    trip.on()
    broken = Sighting(
        subject="p06", requirement="helmet", known=Known.TRIED, state=GearState.UNFIT, remark="Fell"
    )
    trip.send(broken, actor=SECOND, seen_seq=10_000)
    assert seen(trip)["p06.helmet"] == "stop"


def test_a_newer_forecast_alone_is_said_softly(trip: Expedition) -> None:
    trip.on()
    knew = trip.knew().model_copy(update={"forecast": "0" * 64})
    trip.send(CallMade(hold="glacier-edge", decision="down", knew=knew), seen_seq=10_000)
    found = watch(trip.evaluation(), trip.clock.now())
    assert found is not None
    assert [given.what for given in found.given] == ["forecast"]
    assert not found.loud


class TestWireState:
    """Figures of F1 and F3: wind at 4,586 m as issued, half of it at 3,780 m, straight in between."""

    def test_a_moment_at_a_point(self, trip: Expedition) -> None:
        at = datetime(2026, 9, 14, 5, 15, tzinfo=ZONE)
        wire = Wire(metric="wind_mps", comparison="at-least", value=20.0, stage="summit", at=at)
        state = wire_state(trip.evaluation(), wire)
        share = (4250 - 3780) / (4586 - 3780)
        expected = 30 / 3.6 * (0.5 + 0.5 * share)
        assert state.value == pytest.approx(expected, rel=1e-6)
        assert state.crossed is False
        assert (
            wire_state(trip.evaluation(), wire.model_copy(update={"value": expected - 0.01})).crossed is True
        )

    def test_a_stage_gives_its_worst(self, trip: Expedition) -> None:
        wire = Wire(metric="freezing_level_m", comparison="below", value=3901, stage="summit")
        state = wire_state(trip.evaluation(), wire)
        assert (state.value, state.crossed) == (3900, True)
        assert wire_state(trip.evaluation(), wire.model_copy(update={"value": 3900})).crossed is False

    def test_a_stage_that_is_gone_is_not_known(self, trip: Expedition) -> None:
        wire = Wire(metric="wind_mps", comparison="at-least", value=1, stage="elsewhere")
        assert wire_state(trip.evaluation(), wire).crossed is None

    def test_what_no_forecast_says_is_not_known(self, trip: Expedition) -> None:
        wire = Wire(metric="gust_mps", comparison="at-least", value=30, stage="summit")
        assert wire_state(trip.evaluation(), wire).crossed is None

    def test_hours_before_the_trip_are_not_known(self, trip: Expedition) -> None:
        at = datetime(2026, 9, 1, tzinfo=ZONE)
        wire = Wire(metric="wind_mps", comparison="at-least", value=1, at=at)
        assert wire_state(trip.evaluation(), wire).crossed is None
