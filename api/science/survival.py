"""How long things took when some are not over yet: Kaplan-Meier, and the log-rank test of two groups.

A gap still open when the trip ended has lasted *at least* so long: it is right-censored, stays in the risk
set up to and including that time, and is never counted as closed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
from numpy.typing import ArrayLike

from api.science.arrays import Floats, floats


@dataclass(frozen=True)
class Survival:
    """Estimated share still open, at each time something closed (ascending).

    ``at_risk`` and ``closed`` are the counts just before and at that time. ``standard_error`` is Greenwood's;
    it and the bounds are NaN where the share is 0. ``median`` is the first time at which half or fewer are
    open, infinite if that was not reached.
    """

    times: Floats
    at_risk: Floats
    closed: Floats
    share: Floats
    standard_error: Floats
    lower: Floats
    upper: Floats
    median: float

    def at(self, time: ArrayLike) -> Floats:
        """Share still open just after a time: 1 before anything closed. NaN for an unknown time."""
        when = floats(time)
        steps = np.concatenate([[1.0], self.share])
        share = steps[np.searchsorted(self.times, np.nan_to_num(when), side="right")]
        return np.where(np.isnan(when), np.nan, share)


@dataclass(frozen=True)
class LogRank:
    """Chi-square with one degree of freedom and its p value; NaN where nothing could differ."""

    chi_square: float
    p_value: float


def kaplan_meier(duration: ArrayLike, closed: ArrayLike, confidence: float = 0.95) -> Survival:
    """Product-limit estimate.

    Parameters
    ----------
    duration : how long each lasted or has lasted so far, from 0, any unit, shape (n,).
    closed : true where it ended then, false where it was still open (right-censored).
    confidence : of the two-sided bounds, by the log-log transformation.

    Returns
    -------
    Survival
        Of ties, those censored at a time are still at risk at it. No closing at all: no steps, median
        infinite.

    Raises
    ------
    ValueError
        If shapes differ, nothing is given, or a duration is unknown or negative (leave such an entry out and
        say so).

    Source: Kaplan and Meier 1958; standard error Greenwood 1926; bounds as in Kalbfleisch and Prentice.
    """
    times, ended = _observations(duration, closed)
    steps, at_risk, closings = _risk_table(times, ended)
    share = floats(np.cumprod(1.0 - closings / at_risk))
    left = at_risk - closings
    with np.errstate(divide="ignore", invalid="ignore"):
        variance = floats(np.cumsum(closings / (at_risk * left)))
        error = share * np.sqrt(variance)
        z = NormalDist().inv_cdf(0.5 + 0.5 * confidence)
        width = z * np.sqrt(variance) / np.log(share)
        lower, upper = share ** np.exp(-width), share ** np.exp(width)
    gone = share <= 0.0
    error, lower, upper = (np.where(gone, np.nan, one) for one in (error, lower, upper))
    half = np.nonzero(share <= 0.5 + 1e-12)[0]
    median = float(steps[half[0]]) if half.size else math.inf
    return Survival(steps, at_risk, closings, share, error, lower, upper, median)


def log_rank(
    duration_a: ArrayLike, closed_a: ArrayLike, duration_b: ArrayLike, closed_b: ArrayLike
) -> LogRank:
    """Whether two groups closed at different rates.

    Parameters
    ----------
    duration_a, closed_a, duration_b, closed_b : as in ``kaplan_meier``; ValueError likewise.

    Returns
    -------
    LogRank
        Large-sample test: with few closings show the numbers instead.

    Source: Mantel 1966, hypergeometric variance; chi-square with one degree of freedom.
    """
    times_a, ended_a = _observations(duration_a, closed_a)
    times_b, ended_b = _observations(duration_b, closed_b)
    steps, at_risk, closings = _risk_table(
        np.concatenate([times_a, times_b]), np.concatenate([ended_a, ended_b])
    )
    risk_a = times_a.size - np.searchsorted(np.sort(times_a), steps, side="left")
    share_a = risk_a / at_risk
    with np.errstate(divide="ignore", invalid="ignore"):
        ties = np.where(at_risk > 1.0, (at_risk - closings) / (at_risk - 1.0), 0.0)
    variance = float((closings * share_a * (1.0 - share_a) * ties).sum())
    if variance <= 0.0:
        return LogRank(math.nan, math.nan)
    chi_square = (float(ended_a.sum()) - float((closings * share_a).sum())) ** 2 / variance
    return LogRank(chi_square, math.erfc(math.sqrt(chi_square / 2.0)))


def _observations(duration: ArrayLike, closed: ArrayLike) -> tuple[Floats, np.ndarray]:
    times, ended = np.atleast_1d(floats(duration)), np.atleast_1d(np.asarray(closed, dtype=bool))
    if times.ndim != 1 or times.shape != ended.shape:
        raise ValueError(
            f"durations and endings must be two lists of one length; got {times.shape} and {ended.shape}"
        )
    if times.size == 0:
        raise ValueError("no durations given")
    if not np.all(times >= 0.0):
        where = int(np.nonzero(~(times >= 0.0))[0][0])
        raise ValueError(
            f"duration {where} is {times[where]}; leave out what has no known duration, and say so"
        )
    return times, ended


def _risk_table(times: Floats, ended: np.ndarray) -> tuple[Floats, Floats, Floats]:
    """Times of closing, how many were at risk just before each, how many closed at it."""
    steps, closings = np.unique(times[ended], return_counts=True)
    at_risk = times.size - np.searchsorted(np.sort(times), steps, side="left")
    return steps, at_risk.astype(np.float64), closings.astype(np.float64)
