"""The locker as JSON: things, loans, and the cover plan of a trip."""

from datetime import date
from typing import Annotated

from fastapi import APIRouter, Path, Query, status

from api.access.current import CurrentReader
from api.access.permissions import permit
from api.db import Reading, Writing
from api.journal.service import Journals
from api.journal.trip import Slug
from api.locker import buying, covering, service
from api.locker.loans import Desk
from api.locker.schemas import (
    Applied,
    Apply,
    BuyingList,
    CoverPlan,
    HandOut,
    Inspection,
    ItemCreate,
    ItemPage,
    ItemWrite,
    LetGo,
    LoanResult,
    LockerList,
    Promise,
    Quarantine,
    Release,
    Retirement,
    Return,
    ShopShown,
    ShopWrite,
    State,
)
from api.readiness.service import Evaluations

router = APIRouter(prefix="/api", tags=["locker"])

ItemId = Annotated[Slug, Path(description="Id of the thing, as on its label.")]
TripId = Annotated[Slug, Path(description="Id of the trip.")]
ShopId = Annotated[Slug, Path(description="Id of the line of the buying list.")]
LoanId = Annotated[Slug, Path(description="Id of the loan.")]
Text = Annotated[str, Query(max_length=120)]
Day = Annotated[date | None, Query()]


@router.get("/locker/items", dependencies=[permit("locker.read")])
def list_items(
    conn: Reading,
    reader: CurrentReader,
    journals: Journals,
    what: Text = "",
    size: Text = "",
    state: Annotated[State | None, Query()] = None,
    meets: Text = "",
    free_from: Day = None,
    free_until: Day = None,
    free_only: bool = False,
) -> LockerList:
    """Things of the locker that match; `free` counts what can be had on the days asked about, else today."""
    return service.listed(
        conn,
        reader,
        today=journals.clock.now().date(),
        first=free_from,
        last=free_until,
        what=what,
        size=size,
        state=state or "",
        meets=meets,
        free_only=free_only,
    )


@router.post("/locker/items", status_code=status.HTTP_201_CREATED, dependencies=[permit("locker.change")])
def add_item(new: ItemCreate, work: Writing, reader: CurrentReader, journals: Journals) -> ItemPage:
    """Enter a new thing."""
    service.create(work, reader, journals.clock, new)
    return _page(work, reader, journals, new.id)


@router.get("/locker/items/{item}", dependencies=[permit("locker.read")])
def read_item(item: ItemId, conn: Reading, reader: CurrentReader, journals: Journals) -> ItemPage:
    """One thing with its life, its loans and everything that happened to it."""
    return _page(conn, reader, journals, item)


@router.put("/locker/items/{item}", dependencies=[permit("locker.change")])
def change_item(
    item: ItemId, new: ItemWrite, work: Writing, reader: CurrentReader, journals: Journals
) -> ItemPage:
    """Change what is entered about a thing, whole."""
    service.change(work, reader, journals.clock, item, new)
    return _page(work, reader, journals, item)


@router.post("/locker/items/{item}/quarantine", dependencies=[permit("locker.change")])
def quarantine(
    item: ItemId, asked: Quarantine, work: Writing, reader: CurrentReader, journals: Journals
) -> ItemPage:
    """Take a thing out of use until somebody competent has looked at it."""
    service.quarantine(work, reader, journals.clock, item, asked)
    return _page(work, reader, journals, item)


@router.post("/locker/items/{item}/release", dependencies=[permit("locker.change")])
def release(
    item: ItemId, asked: Release, work: Writing, reader: CurrentReader, journals: Journals
) -> ItemPage:
    """Put a thing back in use on a named person's word."""
    service.release(work, reader, journals.clock, item, asked)
    return _page(work, reader, journals, item)


@router.post("/locker/items/{item}/inspections", dependencies=[permit("locker.change")])
def inspect(
    item: ItemId, asked: Inspection, work: Writing, reader: CurrentReader, journals: Journals
) -> ItemPage:
    """Record an examination; one that is not passed puts the thing in quarantine."""
    service.inspect(work, reader, journals.clock, item, asked)
    return _page(work, reader, journals, item)


@router.post("/locker/items/{item}/retirement", dependencies=[permit("locker.change")])
def retire(
    item: ItemId, asked: Retirement, work: Writing, reader: CurrentReader, journals: Journals
) -> ItemPage:
    """Take a thing out of use for good."""
    service.retire(work, reader, journals.clock, item, asked)
    return _page(work, reader, journals, item)


def _page(conn: Reading, reader: CurrentReader, journals: Journals, item: str) -> ItemPage:
    return service.one(conn, reader, item, today=journals.clock.now().date())


# -- the buying list -----------------------------------------------------------------------------------------


@router.get("/locker/shops", dependencies=[permit("locker.read")])
def list_shops(conn: Reading, reader: CurrentReader) -> BuyingList:
    """What can be bought on the way, where and until when."""
    return buying.listed(conn, reader)


@router.put("/locker/shops/{shop}", dependencies=[permit("locker.change")])
def put_shop(shop: ShopId, new: ShopWrite, work: Writing, reader: CurrentReader) -> ShopShown:
    """Enter what can be bought somewhere, or change what is entered, whole."""
    return buying.put(work, reader, shop, new)


@router.delete("/locker/shops/{shop}", dependencies=[permit("locker.change")])
def remove_shop(shop: ShopId, work: Writing, reader: CurrentReader) -> BuyingList:
    """Take a line off the buying list."""
    return buying.remove(work, reader, shop)


# -- loans of a trip -----------------------------------------------------------------------------------------


@router.post("/trips/{trip}/loans", status_code=status.HTTP_201_CREATED, dependencies=[permit("gear.lend")])
def promise(
    trip: TripId, asked: Promise, work: Writing, reader: CurrentReader, readiness: Evaluations
) -> LoanResult:
    """Promise a thing of the locker for the days of the trip."""
    return Desk(work, reader, readiness, trip).promise(asked)


@router.post("/trips/{trip}/loans/{loan}/hand-out", dependencies=[permit("gear.lend")])
def hand_out(
    trip: TripId, loan: LoanId, asked: HandOut, work: Writing, reader: CurrentReader, readiness: Evaluations
) -> LoanResult:
    """Hand out what was promised, with what was seen or tried on that occasion."""
    return Desk(work, reader, readiness, trip).hand_out(loan, asked)


@router.post("/trips/{trip}/loans/{loan}/return", dependencies=[permit("gear.lend")])
def take_back(
    trip: TripId, loan: LoanId, asked: Return, work: Writing, reader: CurrentReader, readiness: Evaluations
) -> LoanResult:
    """Take a loan back; damage puts it in quarantine."""
    return Desk(work, reader, readiness, trip).take_back(loan, asked)


@router.post("/trips/{trip}/loans/{loan}/release", dependencies=[permit("gear.lend")])
def let_go(
    trip: TripId, loan: LoanId, asked: LetGo, work: Writing, reader: CurrentReader, readiness: Evaluations
) -> LoanResult:
    """Let a promise go."""
    return Desk(work, reader, readiness, trip).let_go(loan, asked)


# -- cover plan ----------------------------------------------------------------------------------------------


@router.get("/trips/{trip}/cover", dependencies=[permit("trip.read")])
def read_cover(
    trip: TripId,
    conn: Reading,
    reader: CurrentReader,
    readiness: Evaluations,
    sent_up: Annotated[bool, Query(description="Whether things can be brought up from base.")] = False,
) -> CoverPlan:
    """The best cover of all known gaps of the trip, line by line, and what would help most."""
    return covering.propose(conn, reader, readiness, trip, sent_up=sent_up)


@router.post("/trips/{trip}/cover", dependencies=[permit("gear.lend")])
def apply_cover(
    trip: TripId, asked: Apply, work: Writing, reader: CurrentReader, readiness: Evaluations
) -> Applied:
    """Promise the chosen lines. Those that cannot be kept are refused with the reason; the others stand."""
    return covering.apply(work, reader, readiness, trip, asked.lines, sent_up=asked.sent_up)
