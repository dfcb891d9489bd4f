"""How costs grow, as exponents fitted over sizes that differ sixteenfold: folding in entries."""

from __future__ import annotations

import math
from collections.abc import Callable

from api.clock import SystemClock
from api.journal.chain import parse
from api.journal.fold import fold
from tests.bench import Row
from tests.bench.bench_journal import _entries, _kept

ROUNDS = 5


def run() -> list[Row]:
    """The bar is an exponent; the ratio says how far under it the measured one is."""
    sizes = (1_000, 4_000, 16_000)
    journals = {size: parse(_kept(_entries(size))) for size in sizes}
    spent = [_least_s(lambda size=size: fold(journals[size])) for size in sizes]
    return [_row("fold, exponent in entries", sizes, spent, bar=1.05)]


def _row(what: str, sizes: tuple[int, ...], spent: list[float], *, bar: float) -> Row:
    exponent = fitted(sizes, spent)
    figures = ", ".join(
        f"{size}: {seconds * 1000:.1f} ms" for size, seconds in zip(sizes, spent, strict=True)
    )
    return Row(what, f"an exponent of {bar}", bar / exponent, f"{exponent:.3f} ({figures})", 1.0)


def fitted(sizes: tuple[int, ...], spent: list[float]) -> float:
    """The exponent of a power law through the measurements, by least squares in logarithms."""
    x, y = [math.log(size) for size in sizes], [math.log(seconds) for seconds in spent]
    mean_x, mean_y = sum(x) / len(x), sum(y) / len(y)
    above = sum((one - mean_x) * (other - mean_y) for one, other in zip(x, y, strict=True))
    return above / sum((one - mean_x) ** 2 for one in x)


def _least_s(work: Callable[[], object]) -> float:
    clock = SystemClock()
    least = math.inf
    for _ in range(ROUNDS):
        began = clock.monotonic()
        work()
        least = min(least, clock.monotonic() - began)
    return least
