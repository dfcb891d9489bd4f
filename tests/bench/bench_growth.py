"""How costs grow, as exponents fitted over sizes that differ manyfold: folding in entries, a board in members
and in requirements.
"""

from __future__ import annotations

import math
import tempfile
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from time import process_time

from api.clock import SystemClock
from api.db import Database
from api.journal.chain import parse
from api.journal.fold import fold
from api.journal.service import Journal
from api.readiness.evaluation import Evaluation, evaluate
from api.readiness.service import Readiness
from seeds import demo, loading
from tests.bench import Row
from tests.bench.bench_journal import _entries, _kept
from tests.support.databases import migrated

ROUNDS = 5


def run() -> list[Row]:
    """The bar is an exponent; the ratio says how far under it the measured one is."""
    sizes = (1_000, 4_000, 16_000)
    journals = {size: parse(_kept(_entries(size))) for size in sizes}
    spent = [_least_s(lambda size=size: fold(journals[size])) for size in sizes]
    return [_row("fold, exponent in entries", sizes, spent, bar=1.05), *_evaluating()]


def _evaluating() -> list[Row]:
    """Evaluating the demo's trip with copies of its people, and with parts of its kit list."""
    with tempfile.TemporaryDirectory() as folder:
        url = f"sqlite:///{folder}/demo.sqlite3"
        migrated(url, Path(folder))
        db = Database(url)
        loading.seed(db)
        clock = SystemClock()
        with closing(db), db.reading() as conn:
            outfit = demo.scenario().data["outfit"]["id"]
            whole = Readiness(Journal(clock), clock).evaluation(conn, outfit, demo.scenario().trip)
    rows = []
    people = (12, 24, 48, 96)
    spent = [_least_s(lambda count=count: _again(_with_people(whole, count))) for count in people]
    rows.append(_row("board's evaluation, exponent in members", people, spent, bar=1.1))
    assert whole.edition is not None
    most = len(whole.edition.requirements)
    parts = tuple(len(range(0, most, share)) for share in (4, 2, 1))
    spent = [_least_s(lambda share=share: _again(_with_requirements(whole, share))) for share in (4, 2, 1)]
    rows.append(_row("board's evaluation, exponent in requirements", parts, spent, bar=None))
    return rows


def _again(trip: Evaluation) -> Evaluation:
    args = trip.trip, trip.seq, trip.picture, trip.plan, trip.edition, trip.conditions
    return evaluate(*args, trip.quantities)


def _with_people(trip: Evaluation, count: int) -> Evaluation:
    """With copies of the people, and of all that was seen of their gear."""
    picture = trip.picture
    own = list(picture.members.items())
    members, sightings = dict(own), dict(picture.sightings)
    for number in range(len(own), count):
        name, member = own[number % len(own)]
        members[f"{name}-{number}"] = member
        for (subject, requirement), seen in picture.sightings.items():
            if subject == name:
                sightings[f"{name}-{number}", requirement] = seen
    return replace(trip, picture=replace(picture, members=members, sightings=sightings))


def _with_requirements(trip: Evaluation, share: int) -> Evaluation:
    """With one in so many: a list's beginning would be of another mix than its end, where bodies come in."""
    assert trip.edition is not None
    fewer = trip.edition.requirements[::share]
    return replace(trip, edition=trip.edition.model_copy(update={"requirements": fewer}))


def _row(what: str, sizes: tuple[int, ...], spent: list[float], *, bar: float | None) -> Row:
    """Without a bar of its own, an exponent is held against one."""
    exponent, most = fitted(sizes, spent), bar or 1.0
    figures = ", ".join(
        f"{size}: {seconds * 1000:.1f} ms" for size, seconds in zip(sizes, spent, strict=True)
    )
    held_to = 1.0 if bar else None
    return Row(what, f"an exponent of {most}", most / exponent, f"{exponent:.3f} ({figures})", held_to)


def fitted(sizes: tuple[int, ...], spent: list[float]) -> float:
    """The exponent of a power law through the measurements, by least squares in logarithms."""
    x, y = [math.log(size) for size in sizes], [math.log(seconds) for seconds in spent]
    mean_x, mean_y = sum(x) / len(x), sum(y) / len(y)
    above = sum((one - mean_x) * (other - mean_y) for one, other in zip(x, y, strict=True))
    return above / sum((one - mean_x) ** 2 for one in x)


def _least_s(work: Callable[[], object]) -> float:
    """Processor time, so that what else the machine does is not taken for growth. [s]"""
    least = math.inf
    for _ in range(ROUNDS):
        began = process_time()
        work()
        least = min(least, process_time() - began)
    return least
