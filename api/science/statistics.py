"""Chance: how sure a share is, whether a change is one, and how long things took when some are not over yet.

Shares of small numbers are given with an interval (Wilson), ranked after drawing them towards the overall
share (empirical Bayes), called different only after a test (Fisher) corrected for how many were made
(Benjamini-Hochberg), and called a change only by a control chart's rules. Durations of things still open are
censored, not dropped: see ``survival``.

Counts are arrays that broadcast. NaN in, NaN out; a count outside 0 to n is NaN too, and so is every answer
from n = 0.
"""

from __future__ import annotations

from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
from numpy.typing import ArrayLike

from api.science.arrays import Flags, Floats, floats, plain, within

FEWEST_EXPECTED = 5.0
"""Expected hits and misses a point of a p-chart needs for its limits to mean anything (from memory)."""

LEAST_PRECISION = 0.1
"""Lowest strength of the prior that shrinkage will use, in observations."""


@dataclass(frozen=True)
class Interval:
    """Lower and upper bound."""

    lower: Floats
    upper: Floats


@dataclass(frozen=True)
class Shrunk:
    """Shares drawn towards the overall share.

    ``overall`` and ``precision`` are the prior: its mean, and how many observations it weighs.
    """

    overall: float
    precision: float
    mean: Floats
    lower: Floats
    upper: Floats


@dataclass(frozen=True)
class ControlChart:
    """A p-chart: centre, limits of each point (NaN where too few to tell), and which points lie outside
    theirs.
    """

    centre: float
    lower: Floats
    upper: Floats
    outside: Flags


def wilson_interval(hits: ArrayLike, total: ArrayLike, confidence: float = 0.95) -> Interval:
    """Score interval of a share.

    Parameters
    ----------
    hits, total : counts, 0 <= hits <= total, total from 1; NaN outside.
    confidence : two-sided, above 0 and under 1; ValueError otherwise.

    Returns
    -------
    Interval
        Always inside 0 to 1; exactly 0 for no hit, exactly 1 for all.

    Source: Wilson 1927; NIST handbook 7.2.4.1.
    """
    z = _two_sided_z(confidence)
    k, n = np.broadcast_arrays(floats(hits), floats(total))
    counted = _counted(k, n)
    size = np.where(counted, n, 1.0)
    share = np.where(counted, k, 0.0) / size
    centre = share + z * z / (2.0 * size)
    reach = z * np.sqrt(share * (1.0 - share) / size + z * z / (4.0 * size * size))
    scale = 1.0 + z * z / size
    lower = np.where(k == 0.0, 0.0, (centre - reach) / scale)
    upper = np.where(k == n, 1.0, (centre + reach) / scale)
    return Interval(within(lower, counted), within(upper, counted))


def fisher_exact(hits_a: ArrayLike, total_a: ArrayLike, hits_b: ArrayLike, total_b: ArrayLike) -> Floats:
    """Two-sided exact test of two shares.

    Parameters
    ----------
    hits_a, total_a, hits_b, total_b : whole counts, 0 <= hits <= total, totals from 1; NaN outside.

    Returns
    -------
    ndarray
        p: the probability, all margins fixed, of every table at most as likely as the one seen.

    Source: Fisher's exact test, hypergeometric in log space; same rule for the two sides as R and scipy.
    """
    grids = np.broadcast_arrays(*(floats(one) for one in (hits_a, total_a, hits_b, total_b)))
    a, n, b, m = grids
    whole = np.all([np.isfinite(one) & (one == np.floor(one)) for one in grids], axis=0)
    counted = whole & _counted(a, n) & _counted(b, m)
    result = np.full(a.shape, np.nan)
    most = int(np.where(counted, np.maximum(n, m), 0.0).max(initial=0.0))
    log_factorial = np.concatenate([[0.0], np.cumsum(np.log(np.arange(1.0, most + 1.0)))])
    for cell in np.argwhere(counted):
        at = tuple(cell)
        result[at] = _fisher_p(int(a[at]), int(n[at]), int(b[at]), int(m[at]), log_factorial)
    return plain(result)


def benjamini_hochberg(p_values: ArrayLike) -> Floats:
    """p values adjusted for their number, so that of those called at q about a share q at most is false.

    Parameters
    ----------
    p_values : 0 to 1, any shape, taken as one family. NaN (a test not made) stays NaN and does not count.

    Returns
    -------
    ndarray
        Adjusted p, same shape, in the order of the given. ValueError for a value outside 0 to 1.

    Source: Benjamini and Hochberg 1995 (tests independent or positively dependent).
    """
    given = floats(p_values)
    made = ~np.isnan(given)
    p = given[made]
    if np.any((p < 0.0) | (p > 1.0)):
        raise ValueError(f"p values lie between 0 and 1; got {p[(p < 0.0) | (p > 1.0)][0]}")
    order = np.argsort(p, kind="stable")
    scaled = p[order] * p.size / np.arange(1, p.size + 1)
    adjusted = np.empty_like(p)
    adjusted[order] = np.minimum(np.minimum.accumulate(scaled[::-1])[::-1], 1.0)
    result = np.full(given.shape, np.nan)
    result[made] = adjusted
    return plain(result)


def shrink(hits: ArrayLike, total: ArrayLike, confidence: float = 0.95) -> Shrunk:
    """Empirical-Bayes shares: each is drawn towards the overall share, the more the fewer it rests on.

    Parameters
    ----------
    hits, total : counts of each group, 0 <= hits <= total; a group of 0 gets the prior itself. Outside, and
        NaN: NaN, and the group does not shape the prior. ValueError if no group counts anything.
    confidence : of the two-sided posterior interval.

    Returns
    -------
    Shrunk
        The prior is a beta distribution. Its mean is the pooled share, half a hit and half a miss added so
        that it is never 0 or 1. Its precision comes from the moments of the shares weighted by size; where
        they spread no more than chance makes them, it weighs as much as all observations together, and never
        under 0.1.

    Source: Kleinman 1973 (moment estimator of the beta-binomial); posterior by conjugacy.
    """
    from scipy.special import betaincinv  # type: ignore[import-untyped]

    k, n = np.broadcast_arrays(floats(hits), floats(total))
    known = (n >= 0.0) & (k >= 0.0) & (k <= n) & np.isfinite(n)
    seen = known & (n > 0.0)
    if not np.any(seen):
        raise ValueError("shrinkage needs at least one group with a total above 0")
    overall = float((k[seen].sum() + 0.5) / (n[seen].sum() + 1.0))
    precision = _prior_precision(k[seen], n[seen])
    alpha = overall * precision + np.where(known, k, 0.0)
    beta = (1.0 - overall) * precision + np.where(known, n - k, 0.0)
    tail = 0.5 * (1.0 - _checked(confidence))
    return Shrunk(
        overall,
        precision,
        within(alpha / (alpha + beta), known),
        within(betaincinv(alpha, beta, tail), known),
        within(betaincinv(alpha, beta, 1.0 - tail), known),
    )


def p_chart(
    hits: ArrayLike, total: ArrayLike, *, centre: float | None = None, sigmas: float = 3.0
) -> ControlChart:
    """Control limits of shares in time order.

    Parameters
    ----------
    hits, total : counts of each point, 0 <= hits <= total; others are no points.
    centre : share held as usual; pooled from the points if not given. ValueError if there is none to pool.
    sigmas : distance of the limits in standard deviations, 3 as usual.

    Returns
    -------
    ControlChart
        Limits within 0 to 1. Where fewer than five hits or misses are expected the limits are NaN and the
        point is never outside: too few to tell.

    Source: Shewhart p-chart (NIST handbook 6.3.3.2).
    """
    k, n = np.broadcast_arrays(floats(hits), floats(total))
    counted = _counted(k, n)
    if centre is None:
        if not np.any(counted):
            raise ValueError(
                "a control chart needs at least one point with a total above 0, or a given centre"
            )
        centre = float(k[counted].sum() / n[counted].sum())
    size = np.where(counted, n, 1.0)
    enough = counted & (size * centre >= FEWEST_EXPECTED) & (size * (1.0 - centre) >= FEWEST_EXPECTED)
    reach = sigmas * np.sqrt(centre * (1.0 - centre) / size)
    lower = within(np.maximum(centre - reach, 0.0), enough)
    upper = within(np.minimum(centre + reach, 1.0), enough)
    share = np.where(counted, k, 0.0) / size
    return ControlChart(centre, lower, upper, np.asarray((share < lower) | (share > upper)))


def run_rule(values: ArrayLike, centre: float, length: int = 8) -> Flags:
    """Points that end a run of at least ``length`` on one side of the centre, in time order.

    A point on the centre and an unknown point break the run. Source: Western Electric rule, eight in a row.
    """
    side = np.sign(floats(values) - centre)
    side = np.where(np.isnan(side), 0.0, side)
    same = np.concatenate([[False], (side[1:] == side[:-1]) & (side[1:] != 0.0)])
    starts = np.where(same, 0, np.arange(side.size))
    run = np.arange(side.size) - np.maximum.accumulate(starts) + 1
    return np.asarray((run >= length) & (side != 0.0))


def _fisher_p(a: int, n: int, b: int, m: int, log_factorial: Floats) -> float:
    hits = a + b
    low, high = max(0, hits - m), min(n, hits)
    x = np.arange(low, high + 1)
    logs = -log_factorial[x] - log_factorial[n - x] - log_factorial[hits - x] - log_factorial[m - hits + x]
    weights = np.exp(logs - logs.max())
    seen = weights[a - low]
    return float(min(weights[weights <= seen * (1.0 + 1e-7)].sum() / weights.sum(), 1.0))


def _prior_precision(hits: Floats, total: Floats) -> float:
    """Precision from the size-weighted spread of the shares; all observations where there is no more than
    chance.
    """
    whole = float(total.sum())
    pooled = float(hits.sum()) / whole
    chance = pooled * (1.0 - pooled)
    spread = float((total * (hits / total - pooled) ** 2).sum())
    groups = total.size
    room = chance * (whole - float((total**2).sum()) / whole - (groups - 1))
    excess = spread - chance * (groups - 1)
    if room <= 0.0 or excess <= 0.0:
        return max(whole, LEAST_PRECISION)
    return float(np.clip(room / excess - 1.0, LEAST_PRECISION, whole))


def _counted(hits: Floats, total: Floats) -> Flags:
    return np.asarray((total > 0.0) & (hits >= 0.0) & (hits <= total) & np.isfinite(total))


def _checked(confidence: float) -> float:
    if not 0.0 < confidence < 1.0:
        raise ValueError(f"a confidence lies between 0 and 1; got {confidence}")
    return confidence


def _two_sided_z(confidence: float) -> float:
    return NormalDist().inv_cdf(0.5 + 0.5 * _checked(confidence))
