"""Ascent plans: the risk table of the Wilderness Medical Society (2024), gains between nights, rest
nights.

Context for planning, no diagnosis. Whatever is not known is answered as unknown, never as low or within
the limit.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import IntEnum, StrEnum

LOW_SLEEP_M = 2800.0
HIGH_SLEEP_M = 3500.0
RATE_M_PER_DAY = 500.0
TABLE_START_BELOW_M = 1200.0

RULE_FROM_M = 3000.0
GAIN_PER_NIGHT_M = 500.0
GAIN_BETWEEN_RESTS_M = 1000.0
NIGHTS_BETWEEN_RESTS = 4


class Risk(IntEnum):
    """Columns of the table, in order of caution."""

    LOW = 1
    MODERATE = 2
    HIGH = 3


class History(StrEnum):
    """What a person has had at altitude before."""

    NONE = "none"
    MILD_AMS = "mild AMS"
    MODERATE_SEVERE_AMS = "moderate to severe AMS"
    HAPE_OR_HACE = "HAPE or HACE"


@dataclass(frozen=True)
class Criterion:
    """One row of the table as it applies.

    Attributes
    ----------
    name
        "history", "first sleeping height" or "ascent rate".
    columns
        Every column the value is printed in. Empty if unknown, and if the table prints no such case.
    at_least
        The lowest column it can be in; None if nothing is known of it.
    at_most
        The highest column it can be in. Where it is printed in two, both are the more cautious one.
    """

    name: str
    columns: tuple[Risk, ...]
    at_least: Risk | None
    at_most: Risk

    @property
    def known(self) -> bool:
        """Whether the value settles the column."""
        return self.at_least is self.at_most


@dataclass(frozen=True)
class RiskAssessment:
    """The category and how it came about.

    Attributes
    ----------
    category
        None while something unknown could make it higher. Never low by default.
    at_least
        The highest column already ticked; None if nothing is known.
    decided_by
        Names of the criteria that tick that column.
    unknown
        Names of the criteria that are not settled.
    criteria
        All three.
    fits_table
        Whether the table is for this climb: it is for people not acclimatised who start below 1200 m.
        None if the start is not known.
    """

    category: Risk | None
    at_least: Risk | None
    decided_by: tuple[str, ...]
    unknown: tuple[str, ...]
    criteria: tuple[Criterion, ...]
    fits_table: bool | None


def wms_risk_2024(
    history: History | None,
    first_sleep_m: float | None,
    gain_m_per_day: float | None,
    extra_days: bool | None,
    *,
    start_m: float | None = None,
) -> RiskAssessment:
    """Risk category of a person and a plan.

    Parameters
    ----------
    history
        The worst a person has had, None if not known: that is never taken as none.
    first_sleep_m
        Sleeping elevation of the first day, m; None if not known.
    gain_m_per_day
        Fastest gain in sleeping elevation above 3000 m, m a day; 0 if the plan never sleeps higher than
        it was above 3000 m. None if not known.
    extra_days
        Whether there is an extra day for every 1000 m; None if not known.
    start_m
        Elevation the climb starts from, m; None if not known.

    Returns
    -------
    RiskAssessment

    Raises
    ------
    ValueError
        For a height or gain that is not a number or a negative gain.

    Notes
    -----
    Luks AM et al., Wilderness Medical Society Clinical Practice Guidelines for the Prevention,
    Diagnosis, and Treatment of Acute Altitude Illness: 2024 Update, Wilderness Environ Med 35(1S) (2024)
    2S-19S. Two readings are ours, both to the cautious side: exactly 500 m a day with extra days is
    printed under low *and* moderate and is taken as moderate; less than 500 m a day without extra days
    is not printed at all and is taken as moderate.
    """
    for name, value in (
        ("first_sleep_m", first_sleep_m),
        ("gain_m_per_day", gain_m_per_day),
        ("start_m", start_m),
    ):
        if value is not None and not math.isfinite(value):
            raise ValueError(f"{name} is {value}; give a number, or None if not known")
    if gain_m_per_day is not None and gain_m_per_day < 0.0:
        raise ValueError(f"gain_m_per_day is {gain_m_per_day}; give 0 or more, or None if not known")
    criteria = (_history(history), _first_sleep(first_sleep_m), _rate(gain_m_per_day, extra_days))
    ticked = [criterion.at_least for criterion in criteria if criterion.at_least is not None]
    at_least = max(ticked, default=None)
    at_most = max(criterion.at_most for criterion in criteria)
    return RiskAssessment(
        category=at_least if at_least is at_most else None,
        at_least=at_least,
        decided_by=tuple(c.name for c in criteria if at_least is not None and c.at_least is at_least),
        unknown=tuple(c.name for c in criteria if not c.known),
        criteria=criteria,
        fits_table=None if start_m is None else start_m < TABLE_START_BELOW_M,
    )


def _history(history: History | None) -> Criterion:
    if history is None:
        return Criterion("history", (), None, Risk.HIGH)
    column = {
        History.NONE: Risk.LOW,
        History.MILD_AMS: Risk.LOW,
        History.MODERATE_SEVERE_AMS: Risk.MODERATE,
        History.HAPE_OR_HACE: Risk.HIGH,
    }[history]
    return Criterion("history", (column,), column, column)


def _first_sleep(first_sleep_m: float | None) -> Criterion:
    name = "first sleeping height"
    if first_sleep_m is None:
        return Criterion(name, (), None, Risk.HIGH)
    column = Risk.LOW
    if first_sleep_m > HIGH_SLEEP_M:
        column = Risk.HIGH
    elif first_sleep_m >= LOW_SLEEP_M:
        column = Risk.MODERATE
    return Criterion(name, (column,), column, column)


def _rate(gain_m_per_day: float | None, extra_days: bool | None) -> Criterion:
    name = "ascent rate"
    if gain_m_per_day is None:
        # With extra days no rate is more than moderate.
        return Criterion(name, (), None, Risk.MODERATE if extra_days else Risk.HIGH)
    if gain_m_per_day == 0.0:
        return Criterion(name, (Risk.LOW,), Risk.LOW, Risk.LOW)
    fast = gain_m_per_day >= RATE_M_PER_DAY
    if extra_days is None:
        return (
            Criterion(name, (), Risk.MODERATE, Risk.HIGH)
            if fast
            else Criterion(name, (), Risk.LOW, Risk.MODERATE)
        )
    if not extra_days:
        if fast:
            return Criterion(name, (Risk.HIGH,), Risk.HIGH, Risk.HIGH)
        return Criterion(name, (), Risk.MODERATE, Risk.MODERATE)
    columns = tuple(
        column
        for column, printed in (
            (Risk.LOW, gain_m_per_day <= RATE_M_PER_DAY),
            (Risk.MODERATE, gain_m_per_day >= RATE_M_PER_DAY),
        )
        if printed
    )
    return Criterion(name, columns, columns[-1], columns[-1])


@dataclass(frozen=True)
class NightGain:
    """Gain in sleeping height of one night over the last known one before it.

    Attributes
    ----------
    night
        Index into the list given.
    over
        Nights since the last known one: 1 unless there is a gap in what is known.
    gain_m
        Height over the last known night, m; None if this night or all before it are unknown.
    above_limit
        True: more than the limit a night. False: within it. None: not known.
    excess_m
        How far over the limit, m; 0 within it, None where not known.
    """

    night: int
    over: int
    gain_m: float | None
    above_limit: bool | None
    excess_m: float | None


def sleeping_gains(
    nights_m: Sequence[float | None], *, limit_m: float = GAIN_PER_NIGHT_M, from_m: float = RULE_FROM_M
) -> list[NightGain]:
    """Check the gain in sleeping height from night to night.

    Parameters
    ----------
    nights_m
        Sleeping elevations in order, m, one a night; None (or NaN) for a night that is not known.
    limit_m
        Most gain a night, m.
    from_m
        Height above which it counts, m: a night at or below it is always within the limit.

    Returns
    -------
    One `NightGain` for every night but the first. Across a gap the gain is known over several nights
    only: it is above the limit if no way of sharing it out would keep to it, else unknown.

    Notes
    -----
    Above 3000 m at most 500 m a night: WMS 2019/2024 text (from memory); the same number in Therapeutic
    Guidelines: Wilderness Medicine, and from 2750 m in CDC Yellow Book. MEDEX advises 300 m. The whole
    gain of the night that first passes 3000 m is counted, the cautious reading.
    """
    nights = [_known(height) for height in nights_m]
    gains = []
    last = 0 if nights and nights[0] is not None else None
    for night in range(1, len(nights)):
        gains.append(_gain(nights, night, last, limit_m, from_m))
        if nights[night] is not None:
            last = night
    return gains


def _gain(
    nights: list[float | None], night: int, last: int | None, limit_m: float, from_m: float
) -> NightGain:
    here = nights[night]
    before = None if last is None else nights[last]
    over = night if last is None else night - last
    if here is None:
        return NightGain(night, over, None, None, None)
    if before is None or last is None:
        # Unknown how high they slept before: at or below the threshold it does not matter.
        within_limit = here <= from_m
        return NightGain(night, over, None, False if within_limit else None, 0.0 if within_limit else None)
    gain = here - before
    if here <= from_m:
        return NightGain(night, over, gain, False, 0.0)
    excess = gain - limit_m * over
    if excess > 0.0:
        return NightGain(night, over, gain, True, excess)
    if over > 1:
        return NightGain(night, over, gain, None, None)
    return NightGain(night, over, gain, False, 0.0)


@dataclass(frozen=True)
class RestCheck:
    """How long and how far a night lies from the last rest night.

    Attributes
    ----------
    night
        Index into the list given.
    is_rest
        Slept no higher than the night before; None where not known.
    nights_since
        Climbing nights since the last known rest, this one included; unknown nights count as climbing.
    gained_m
        Height over the last rest, or over where the climb above the threshold began, m; None where not
        known.
    overdue
        True: a rest night was due before this one. False: not. None: an unknown night may have been the
        rest.
    """

    night: int
    is_rest: bool | None
    nights_since: int
    gained_m: float | None
    overdue: bool | None


def rest_nights(
    nights_m: Sequence[float | None],
    *,
    from_m: float = RULE_FROM_M,
    most_nights: int = NIGHTS_BETWEEN_RESTS,
    most_gain_m: float = GAIN_BETWEEN_RESTS_M,
) -> list[RestCheck]:
    """Check that rest nights come often enough above the threshold height.

    Parameters
    ----------
    nights_m
        As in `sleeping_gains`.
    from_m
        Height above which nights count, m.
    most_nights
        Most climbing nights in a row. 4 is the end of "every 3 to 4 days".
    most_gain_m
        Most height between rests, m.

    Returns
    -------
    One `RestCheck` for every night but the first.

    Notes
    -----
    A rest day every 3 to 4 days: WMS 2019/2024 text (from memory). An extra day for every 1000 m:
    Therapeutic Guidelines: Wilderness Medicine. A rest night is one spent no higher than the night
    before.
    """
    nights = [_known(height) for height in nights_m]
    checks = []
    since, unknown_in_run = 0, False
    base_m = nights[0] if nights else None
    for night in range(1, len(nights)):
        here, before = nights[night], nights[night - 1]
        is_rest = None if here is None or before is None else here <= before
        if is_rest or (here is not None and here <= from_m):
            since, unknown_in_run, base_m = 0, False, here
        else:
            since += 1
            unknown_in_run = unknown_in_run or is_rest is None
        # Height counts from the threshold up, where the rule begins.
        gained = None if here is None or base_m is None else max(0.0, here - max(base_m, from_m))
        checks.append(
            RestCheck(
                night,
                is_rest,
                since,
                gained,
                _overdue(since, gained, unknown_in_run, most_nights, most_gain_m),
            )
        )
    return checks


def _overdue(
    since: int, gained_m: float | None, unknown: bool, most_nights: int, most_gain_m: float
) -> bool | None:
    if since == 0:
        return False
    over = since > most_nights or (gained_m is not None and gained_m > most_gain_m)
    if over:
        return None if unknown else True
    return None if gained_m is None else False


def _known(height_m: float | None) -> float | None:
    return None if height_m is None or not math.isfinite(height_m) else float(height_m)
