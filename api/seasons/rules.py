"""What the counts say, and how surely. Pure.

A share is never given without its interval; a ranking is drawn towards the overall share; nothing is called a
change before it leaves the limits of what came before, stands when trips of one kind are compared with their
like, and survives the correction for how many comparisons were made.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np
import numpy.typing as npt

from api.science.statistics import (
    benjamini_hochberg,
    fisher_exact,
    p_chart,
    run_rule,
    shrink,
    wilson_interval,
)
from api.seasons.measures import AT, COVERED, DURATION_BINS_H, HOLDS, KNOWN

Counts = npt.NDArray[np.int64]

FALSE_ALARM = 0.05
"""Of seasons in which nothing changed, at most this share has any change called; of histories in which all
groups are alike, at most this share has any that stands out."""
MARKED_IN_VAIN = 0.01
"""Of months in which nothing changed, at most this share is marked in a picture through time."""
FEWEST_ASKED = 20
FEWEST_LACKING = 5
MOST_EXACT = 20_000
"""Fewer than either are too few to tell (common practice, no published source)."""


@dataclass(frozen=True, slots=True)
class Rate:
    """A share of people, with its 95 % interval; NaN from nobody."""

    hits: int
    total: int
    share: float
    lower: float
    upper: float

    @property
    def too_few(self) -> bool:
        """Whether it rests on too few to say more than the counts."""
        return self.total < FEWEST_ASKED or self.hits < FEWEST_LACKING


@dataclass(frozen=True, slots=True)
class Recurrence:
    """How often one requirement was lacking, how it was found and what became of it."""

    requirement: str
    rate: Rate
    shrunk: float
    shrunk_lower: float
    shrunk_upper: float
    known: Mapping[str, int] = field(default_factory=dict)
    holds: Mapping[str, int] = field(default_factory=dict)
    covered: Mapping[str, int] = field(default_factory=dict)
    accepted: int = 0
    carried_past: int = 0
    came_back: int = 0
    late: int = 0
    surprise: int = 0
    median_clear_h: float = math.nan
    """Upper edge of the class in which half were closed [h]; infinite when fewer were; NaN without gaps."""
    said_fine: int = 0
    self_report: Rate | None = None
    """Of those who said they had it and whom somebody checked: unfit or absent after all."""


def rate(hits: int, total: int) -> Rate:
    """A share with its Wilson interval."""
    interval = wilson_interval(hits, total)
    share = hits / total if total else math.nan
    return Rate(int(hits), int(total), share, float(interval.lower), float(interval.upper))


def recurrences(requirements: Sequence[str], counts: Counts) -> tuple[Recurrence, ...]:
    """Every requirement that was asked of anyone, the most often lacking first.

    Parameters
    ----------
    requirements
        Ids, shape (r,).
    counts
        Shape (r, measure).

    Returns
    -------
    tuple of Recurrence
        Ranked by the lower bound of the share drawn towards the overall one, so that two of three people do
        not stand above forty of two hundred.
    """
    asked, lacking = counts[:, AT["asked"]], counts[:, AT["lacking"]]
    if not np.any(asked > 0):
        return ()
    drawn = shrink(lacking, asked)
    found = [
        _recurrence(
            requirement, counts[r], *(float(part[r]) for part in (drawn.mean, drawn.lower, drawn.upper))
        )
        for r, requirement in enumerate(requirements)
        if asked[r] > 0
    ]
    return tuple(sorted(found, key=lambda line: (-line.shrunk_lower, -line.shrunk, line.requirement)))


def _recurrence(requirement: str, counts: Counts, mean: float, lower: float, upper: float) -> Recurrence:
    def at(name: str) -> int:
        return int(counts[AT[name]])

    checked = at("said-fine-checked")
    return Recurrence(
        requirement=requirement,
        rate=rate(at("lacking"), at("asked")),
        shrunk=mean,
        shrunk_lower=lower,
        shrunk_upper=upper,
        known={known: at(f"known-{known}") for known in KNOWN},
        holds={hold: at(f"hold-{hold}") for hold in HOLDS},
        covered={covered: at(f"covered-{covered}") for covered in COVERED},
        accepted=at("accepted"),
        carried_past=at("carried-past"),
        came_back=at("came-back"),
        late=at("late"),
        surprise=at("surprise"),
        median_clear_h=median_to_clear(counts),
        said_fine=at("said-fine"),
        self_report=rate(at("said-fine-wrong"), checked) if checked else None,
    )


def median_to_clear(counts: Counts) -> float:
    """The class in which half of the gaps were closed, by its upper edge [h].

    Product-limit estimate over the classes: what was still open is at risk through the class in which it was
    last seen open. Infinite when half were never closed, NaN without gaps.
    """
    closed = np.array([counts[AT[f"closed-{edge:g}"]] for edge in DURATION_BINS_H], dtype=np.float64)
    censored = np.array([counts[AT[f"censored-{edge:g}"]] for edge in DURATION_BINS_H], dtype=np.float64)
    left = float(closed.sum() + censored.sum())
    if left == 0:
        return math.nan
    share = 1.0
    for edge, ended, gone in zip(DURATION_BINS_H, closed, censored, strict=True):
        share *= 1.0 - ended / left if left else 1.0
        if share <= 0.5 + 1e-12:
            return float(edge)
        left -= ended + gone
    return math.inf


# -- one season against those before -------------------------------------------------------------------------


class Verdict(StrEnum):
    """What can be said of a change."""

    TOO_FEW = "too few to tell"
    NOTHING = "no change shown"
    MIX = "another mix of trips, no change shown"
    BETTER = "lacking less often"
    WORSE = "lacking more often"

    @property
    def called(self) -> bool:
        """Whether a change is called."""
        return self in (Verdict.BETTER, Verdict.WORSE)


@dataclass(frozen=True, slots=True)
class Compared:
    """One requirement in the last season against the seasons before it."""

    requirement: str
    before: Rate
    after: Rate
    raw_p: float
    """Exact test of the two shares as they are."""
    like_p: float
    """Test among trips of one kind."""
    adjusted_p: float
    """`like_p`, corrected for how many requirements were compared."""
    limit_lower: float
    limit_upper: float
    """Limits within which the last season would lie if nothing had changed; NaN: too few to set any."""
    verdict: Verdict


def compared(requirements: Sequence[str], before: Counts, after: Counts) -> tuple[Compared, ...]:
    """What changed from earlier seasons to the last.

    Parameters
    ----------
    requirements
        Ids, shape (r,).
    before, after
        Counts by kind of trip, shape (kind, r, measure), kinds in the same order.

    Returns
    -------
    tuple of Compared
        In the order given. A change is called where the last season's share lies outside the limits (three
        standard deviations) set by those before, and the difference among trips of one kind
        (Cochran-Mantel-Haenszel) is significant after Benjamini-Hochberg over all requirements, at 5 %.
    """
    hits_b, total_b = before[:, :, AT["lacking"]], before[:, :, AT["asked"]]
    hits_a, total_a = after[:, :, AT["lacking"]], after[:, :, AT["asked"]]
    like = np.array(
        [
            mantel_haenszel(hits_b[:, r], total_b[:, r], hits_a[:, r], total_a[:, r])
            for r in range(len(requirements))
        ]
    )
    rates = [
        (
            rate(int(hits_b[:, r].sum()), int(total_b[:, r].sum())),
            rate(int(hits_a[:, r].sum()), int(total_a[:, r].sum())),
        )
        for r in range(len(requirements))
    ]
    enough = np.array([_enough(was.hits, was.total, now.hits, now.total) for was, now in rates], dtype=bool)
    adjusted = np.atleast_1d(benjamini_hochberg(np.where(enough, like, np.nan)))
    return tuple(
        _compared(requirement, *rates[r], float(like[r]), float(adjusted[r]), bool(enough[r]))
        for r, requirement in enumerate(requirements)
    )


def _enough(hits_a: int, total_a: int, hits_b: int, total_b: int) -> bool:
    return min(total_a, total_b) >= FEWEST_ASKED and hits_a + hits_b >= 2 * FEWEST_LACKING


def _compared(
    requirement: str, was: Rate, now: Rate, like_p: float, adjusted_p: float, enough: bool
) -> Compared:
    raw = _raw_p(was, now)
    lower = upper = math.nan
    outside = False
    if was.total and now.total:
        chart = p_chart([now.hits], [now.total], centre=was.share)
        lower, upper = float(chart.lower[0]), float(chart.upper[0])
        outside = bool(chart.outside[0])
    if not enough:
        verdict = Verdict.TOO_FEW
    elif outside and adjusted_p <= FALSE_ALARM:
        verdict = Verdict.BETTER if now.share < was.share else Verdict.WORSE
    elif raw <= FALSE_ALARM and like_p > FALSE_ALARM:
        verdict = Verdict.MIX
    else:
        verdict = Verdict.NOTHING
    return Compared(requirement, was, now, raw, like_p, adjusted_p, lower, upper, verdict)


def _raw_p(was: Rate, now: Rate) -> float:
    """p that two shares differ, all trips together: exact, and for very many people by chi-square."""
    if not was.total or not now.total:
        return math.nan
    if was.total + now.total <= MOST_EXACT:
        return float(fisher_exact(was.hits, was.total, now.hits, now.total))
    return mantel_haenszel(*(np.array([n]) for n in (was.hits, was.total, now.hits, now.total)))


def mantel_haenszel(hits_a: Counts, total_a: Counts, hits_b: Counts, total_b: Counts) -> float:
    """p that two groups differ, compared within strata only.

    Parameters
    ----------
    hits_a, total_a, hits_b, total_b
        Counts by stratum, shape (s,).

    Returns
    -------
    float
        From the Mantel-Haenszel chi-square with continuity correction, one degree of freedom; NaN where
        nothing could differ.

    Source: Cochran 1954; Mantel and Haenszel 1959.
    """
    whole = (total_a + total_b).astype(np.float64)
    used = (total_a > 0) & (total_b > 0) & (whole > 1)
    n, m = total_a[used].astype(np.float64), total_b[used].astype(np.float64)
    k = hits_a[used].astype(np.float64)
    hits, size = k + hits_b[used], whole[used]
    variance = float((n * m * hits * (size - hits) / (size * size * (size - 1.0))).sum())
    if variance <= 0.0:
        return math.nan
    apart = max(0.0, abs(float((k - hits * n / size).sum())) - 0.5)
    return math.erfc(math.sqrt(apart * apart / variance / 2.0))


# -- one group of people against the rest --------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Split:
    """One requirement among people of one group against all others, compared within seasons."""

    requirement: str
    dimension: str
    group: str
    inside: Rate
    outside: Rate
    adjusted_p: float

    @property
    def stands_out(self) -> bool:
        """Whether the group lacks it more or less often than the others."""
        return self.adjusted_p <= FALSE_ALARM


def splits(
    requirements: Sequence[str], groups: Mapping[tuple[str, str], tuple[Counts, Counts]]
) -> tuple[Split, ...]:
    """Every requirement in every group, those that stand out first.

    Parameters
    ----------
    groups
        By (dimension, group): counts of those inside and of all others, each by season, shape
        (season, r, measure).
    """
    rows: list[tuple[str, str, str, Rate, Rate, float]] = []
    for (dimension, group), (inside, outside) in groups.items():
        for r, requirement in enumerate(requirements):
            hits_i, total_i = inside[:, r, AT["lacking"]], inside[:, r, AT["asked"]]
            hits_o, total_o = outside[:, r, AT["lacking"]], outside[:, r, AT["asked"]]
            sums = [int(part.sum()) for part in (hits_i, total_i, hits_o, total_o)]
            if _enough(*sums):
                p = mantel_haenszel(hits_i, total_i, hits_o, total_o)
                rows.append((requirement, dimension, group, rate(*sums[:2]), rate(*sums[2:]), p))
    if not rows:
        return ()
    adjusted = np.atleast_1d(benjamini_hochberg([row[-1] for row in rows]))
    found = [Split(*row[:-1], float(p)) for row, p in zip(rows, adjusted, strict=True)]
    return tuple(sorted(found, key=lambda split: (not split.adjusted_p <= FALSE_ALARM, split.adjusted_p)))


# -- through time --------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Point:
    """One month of a requirement through time."""

    season: int
    month: int
    rate: Rate
    lower: float
    upper: float
    outside: bool
    """Outside the control limits."""
    run: bool
    """Ends a run of eight on one side of the centre."""


def through_time(months: Sequence[tuple[int, int]], counts: Counts) -> tuple[float, tuple[Point, ...]]:
    """A requirement month by month, with the centre and control limits of all that is shown.

    Parameters
    ----------
    months
        (season, month) in time order, shape (n,).
    counts
        Shape (n, measure).
    """
    hits, total = counts[:, AT["lacking"]], counts[:, AT["asked"]]
    if not np.any(total > 0):
        return math.nan, ()
    chart = p_chart(hits, total)
    shares = np.where(total > 0, hits / np.maximum(total, 1), np.nan)
    runs = run_rule(shares, chart.centre)
    points = tuple(
        Point(
            season=season,
            month=month,
            rate=rate(int(hits[at]), int(total[at])),
            lower=float(chart.lower[at]),
            upper=float(chart.upper[at]),
            outside=bool(chart.outside[at]),
            run=bool(runs[at]),
        )
        for at, (season, month) in enumerate(months)
    )
    return chart.centre, points
