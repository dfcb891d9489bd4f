"""The review as JSON: recurring gaps of chosen trips."""

from __future__ import annotations

import math
from typing import Annotated

from fastapi import APIRouter, Query
from pydantic import BaseModel

from api.access.current import CurrentReader
from api.access.permissions import permit
from api.readiness.schemas import CAUTION
from api.replica import SeasonsReading
from api.seasons.choosing import month_of
from api.seasons.queries import Choice
from api.seasons.rules import Compared, Rate, Recurrence
from api.seasons.service import Overview, overview

router = APIRouter(prefix="/api/seasons", tags=["seasons"])
Words = Annotated[tuple[str, ...], Query(max_length=40)]
Numbers = Annotated[tuple[int, ...], Query(max_length=40)]
Month = Annotated[str, Query(max_length=10, description="A month as YYYY-MM; both ends are included.")]


class Share(BaseModel):
    """A share of people; null from nobody. The interval is Wilson's, 95 %."""

    hits: int
    total: int
    share: float | None
    lower: float | None
    upper: float | None
    too_few: bool


class Change(BaseModel):
    """The last season against those before it."""

    verdict: str
    before: Share
    after: Share
    like_p: float | None
    adjusted_p: float | None


class Gap(BaseModel):
    """How often one requirement was lacking."""

    requirement: str
    item: str
    lacking: Share
    drawn: float
    """Share drawn towards the overall one; the order is by its lower bound."""
    drawn_lower: float
    drawn_upper: float
    known: dict[str, int]
    holds: dict[str, int]
    covered: dict[str, int]
    accepted: int
    carried_past: int
    came_back: int
    found_late: int
    forecast_surprise: int
    median_to_clear_h: float | None
    """Null without gaps, and where fewer than half were ever closed."""
    said_fine_and_was_not: Share | None
    change: Change | None


class RecurringGaps(BaseModel):
    """Recurring gaps of chosen trips."""

    caution: str = CAUTION
    trips: int
    people: int
    gaps: list[Gap]


@router.get("/recurring-gaps", dependencies=[permit("seasons.read")])
def recurring_gaps(
    conn: SeasonsReading,
    reader: CurrentReader,
    first: Month = "",
    last: Month = "",
    season: Numbers = (),
    month: Numbers = (),
    route: Words = (),
    edition: Words = (),
    kind: Words = (),
    lead: Words = (),
    booking: Words = (),
    rental: Words = (),
) -> RecurringGaps:
    """How often each requirement was lacking, per person asked, ranked; no names and nothing about health."""
    choice = Choice(
        first=month_of(first, "first"),
        last=month_of(last, "last"),
        season=season,
        month=month,
        route=route,
        edition=edition,
        kind=kind,
        lead=lead,
        booking=booking,
        rental=rental,
    )
    found = overview(conn, reader.outfit, choice)
    return RecurringGaps(
        trips=found.all_trips, people=found.people, gaps=[_gap(found, line) for line in found.lines]
    )


def _gap(found: Overview, line: Recurrence) -> Gap:
    change = found.changed.get(line.requirement)
    return Gap(
        requirement=line.requirement,
        item=found.items.get(line.requirement, line.requirement),
        lacking=_share(line.rate),
        drawn=line.shrunk,
        drawn_lower=line.shrunk_lower,
        drawn_upper=line.shrunk_upper,
        known=dict(line.known),
        holds=dict(line.holds),
        covered=dict(line.covered),
        accepted=line.accepted,
        carried_past=line.carried_past,
        came_back=line.came_back,
        found_late=line.late,
        forecast_surprise=line.surprise,
        median_to_clear_h=_known(line.median_clear_h),
        said_fine_and_was_not=_share(line.self_report) if line.self_report else None,
        change=_change(change) if change else None,
    )


def _change(change: Compared) -> Change:
    return Change(
        verdict=change.verdict.value,
        before=_share(change.before),
        after=_share(change.after),
        like_p=_known(change.like_p),
        adjusted_p=_known(change.adjusted_p),
    )


def _share(rate: Rate) -> Share:
    return Share(
        hits=rate.hits,
        total=rate.total,
        share=_known(rate.share),
        lower=_known(rate.lower),
        upper=_known(rate.upper),
        too_few=rate.too_few,
    )


def _known(value: float) -> float | None:
    return value if math.isfinite(value) else None
