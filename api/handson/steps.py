"""Numbers and days by large buttons: where a stepper begins, and how far each press goes. Pure."""

from collections.abc import Mapping
from datetime import date, timedelta

from api.journal.trip import TripPlan
from api.kitlist.quantities import in_unit
from api.kitlist.schemas import Question

STEPS: Mapping[str, tuple[float, float]] = {
    "°C": (1, 5),
    "%": (5, 25),
    "L": (0.25, 1),
    "mL": (50, 250),
    "g": (10, 100),
    "kg": (0.5, 5),
    "cm": (5, 20),
    "m": (1, 10),
    "mm": (1, 10),
    "h": (0.5, 5),
    "min": (1, 10),
    "1": (1, 5),
}
"""By unit: the small step and the large one."""
DEFAULT_STEPS = (1.0, 10.0)
BEGINS: Mapping[str, float] = {"°C": -10, "%": 100, "L": 1, "h": 10}
"""Where there is no limit to begin at."""


def steps(unit: str | None) -> tuple[float, float]:
    """How far the small and the large button go."""
    return STEPS.get(unit or "1", DEFAULT_STEPS)


def begin(question: Question, answered: float | None = None) -> float:
    """Where a number's stepper begins: at the answer there is, else at the first fixed limit."""
    if answered is not None:
        return answered
    unit = question.unit or "1"
    for limit in question.limits:
        bound = limit.at_least if limit.at_least is not None else limit.at_most
        if isinstance(bound, str):
            return in_unit(bound, unit)
    return BEGINS.get(unit, 0.0)


def begin_day(question: Question, plan: TripPlan, answered: str | None = None) -> date:
    """Where a day's stepper begins: at the answer there is; at the end of the trip for an expiry; a year
    before it for something that ages.
    """
    if answered is not None:
        try:
            return date.fromisoformat(answered)
        except ValueError:
            pass
    expires = any(limit.not_before is not None for limit in question.limits)
    start = plan.ends_on if expires else plan.starts_on - timedelta(days=365)
    return start.replace(day=1)


def stepped_month(day: date, months: int) -> date:
    """The first of the month so many months away, between the years 1990 and 2099."""
    place = day.year * 12 + day.month - 1 + months
    year, month = divmod(place, 12)
    return date(min(max(year, 1990), 2099), month + 1, 1)
