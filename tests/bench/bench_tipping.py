"""All tipping points of a trip, against evaluating the trip anew at every shift that was looked at."""

from __future__ import annotations

import tempfile
from contextlib import closing
from pathlib import Path

from api import upgrade
from api.clock import FixedClock, SystemClock
from api.conditions.evaluate import evaluate as stage_conditions
from api.conditions.quantities import quantities
from api.conditions.shifts import Shift
from api.db import Database
from api.journal.service import Journal
from api.readiness.evaluation import Evaluation, evaluate
from api.readiness.mountain import Outlook
from api.readiness.service import Readiness
from api.readiness.tipping import REACHES, Axis, tipping_points
from seeds import demo, loading
from tests.bench import Row
from tests.readiness import big

ROUNDS = 9
BAR_MS = 50.0
START_OF = "s06"


def run() -> list[Row]:
    """The baseline looks at the first grids alone, without closing in, which favours it."""
    drawn, clock = big.forecast(1, seed=4), SystemClock()
    now = _whole(Shift())
    assert tipping_points(now, drawn, start_of=START_OF)
    times = []
    for _ in range(ROUNDS):
        started = clock.monotonic()
        tipping_points(now, drawn, start_of=START_OF)
        times.append(clock.monotonic() - started)
    shifts = [_shift(axis, value) for axis in Axis for value in REACHES[axis].grid.tolist()]
    started = clock.monotonic()
    for shift in shifts:
        _whole(shift)
    one_by_one_s = clock.monotonic() - started
    took_ms = min(times) * 1e3
    return [
        Row(
            what="all tipping points of a trip, four axes",
            baseline=f"the trip evaluated at {len(shifts)} shifts, one at a time",
            ratio=one_by_one_s * 1e3 / took_ms,
            figure=f"{took_ms:.0f} against {one_by_one_s * 1e3:.0f} ms",
            bar=20.0,
        ),
        Row(
            what="all tipping points of a trip, in the process",
            baseline=f"the bar of {BAR_MS:.0f} ms",
            ratio=BAR_MS / took_ms,
            figure=f"{took_ms:.0f} ms",
            bar=1.0,
        ),
        _with_bodies(),
    ]


def _with_bodies() -> Row:
    """The demo's, whose kit list asks of bodies too: everything the mountain page shows of tipping points."""
    timer, took = SystemClock(), []
    clock = FixedClock(loading.begins_at(demo.moments(demo.scenario())[0]))
    outfit, trip = demo.scenario().data["outfit"]["id"], demo.scenario().trip
    with tempfile.TemporaryDirectory() as folder, closing(_seeded(Path(folder))) as db, db.reading() as conn:
        known = Readiness(Journal(clock), clock).outlook(conn, outfit, trip)
        start = known.start_stage(clock.now())
        for _ in range(ROUNDS):
            outlook = Outlook(known.evaluation, known.issues)
            started = timer.monotonic()
            found = outlook.tipping(start.id if start else None)
            took.append((timer.monotonic() - started) * 1e3)
    return Row(
        what="all tipping points of the demo trip, of bodies too",
        baseline=f"the bar of {BAR_MS:.0f} ms",
        ratio=BAR_MS / min(took),
        figure=f"{min(took):.0f} ms; {len(found)} points",
        bar=1.0,
    )


def _seeded(folder: Path) -> Database:
    db = Database(f"sqlite:///{folder / 'demo.sqlite3'}")
    upgrade.migrate(db, data_dir=folder, clock=SystemClock())
    loading.seed(db)
    return db


def _whole(shift: Shift) -> Evaluation:
    plan, party = big.plan(), big.party()
    conditions = stage_conditions(plan, big.forecast(1, seed=4), None, shift)
    amounts = quantities(plan, conditions, len(party.members))
    return evaluate("big", 1, party, plan, big.edition(), conditions, amounts)


def _shift(axis: Axis, value: float) -> Shift:
    if axis is Axis.START:
        return Shift(start_min=value, stage=START_OF)
    return Shift(**{axis.value: value})  # type: ignore[arg-type]
