"""Clocks: one that runs, one that stands still, one that can be moved."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone

import pytest

from api.clock import FixedClock, MovableClock, SystemClock, as_utc

NOON = datetime(2026, 7, 14, 12, tzinfo=UTC)


def test_the_system_clock_tells_utc_and_runs() -> None:
    clock = SystemClock()
    first, second = clock.now(), clock.now()
    assert first.utcoffset() == timedelta(0)
    assert first <= second
    assert clock.monotonic() <= clock.monotonic()


def test_the_fixed_clock_moves_only_when_told() -> None:
    clock = FixedClock(NOON)
    assert clock.now() == clock.now() == NOON
    clock.advance(timedelta(minutes=90))
    assert clock.now() == NOON + timedelta(minutes=90)
    assert clock.monotonic() == 5400
    clock.set(NOON)
    assert clock.now() == NOON
    assert clock.monotonic() == 5400
    with pytest.raises(ValueError, match="backwards"):
        clock.advance(timedelta(seconds=-1))


def test_the_movable_clock_runs_on_from_where_it_was_set() -> None:
    base = FixedClock(NOON)
    clock = MovableClock(datetime(2027, 2, 1, 5, tzinfo=UTC), base=base)
    assert clock.now() == datetime(2027, 2, 1, 5, tzinfo=UTC)
    base.advance(timedelta(hours=2))
    assert clock.now() == datetime(2027, 2, 1, 7, tzinfo=UTC)
    clock.move_by(timedelta(hours=-1))
    assert clock.now() == datetime(2027, 2, 1, 6, tzinfo=UTC)
    assert clock.monotonic() == base.monotonic()


def test_a_kept_offset_brings_the_movable_clock_back_after_a_restart() -> None:
    base = FixedClock(NOON)
    kept = MovableClock(NOON + timedelta(days=200), base=base).offset
    base.advance(timedelta(days=1))
    again = MovableClock(base=base)
    again.offset = kept
    assert again.now() == NOON + timedelta(days=201)


def test_times_without_a_zone_are_refused_and_others_turned_into_utc() -> None:
    zone = timezone(timedelta(hours=2))
    assert as_utc(datetime(2026, 7, 14, 14, tzinfo=zone)) == NOON
    assert as_utc(datetime(2026, 7, 14, 14, tzinfo=zone)).tzinfo is UTC
    with pytest.raises(ValueError, match="give an offset"):
        FixedClock(NOON.replace(tzinfo=None))
