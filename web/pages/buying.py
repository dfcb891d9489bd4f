"""Pages of the buying list: what can be bought where on the way, and until when."""

from __future__ import annotations

from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Request
from fastapi.responses import RedirectResponse, Response
from sqlalchemy import Connection

from api.access.current import CurrentReader, Reader
from api.access.permissions import may, permit
from api.access.typed import slug_of
from api.db import Reading, Writing
from api.errors import Conflict, Invalid
from api.journal import queries as journal_queries
from api.journal.service import Journal, Journals
from api.locker import buying
from api.locker.schemas import ShopShown, ShopWrite
from web.pages.locker_view import (
    Sent,
    SentForm,
    as_lines,
    done_or_again,
    filled,
    form_page,
    lines_of,
    taken,
    typed,
)
from web.pages.locker_words import facts
from web.rendering import page, shell_of
from web.words import Say

router = APIRouter(prefix="/locker/shops", include_in_schema=False)
READ, CHANGE = [permit("locker.read")], [permit("locker.change")]
LIST = "/locker/shops"


@router.get("", dependencies=READ)
def show_list(request: Request, conn: Reading, reader: CurrentReader, journals: Journals) -> Response:
    """The buying list."""
    now = journals.clock.now()
    shops = buying.listed(conn, reader).shops
    return page(
        request,
        "locker/shops.html",
        headers={"Cache-Control": "no-store"},
        shops=shops,
        meets={shop.id: facts(conn, reader.outfit, shop.meets, {}, {}).meets for shop in shops},
        now=now,
        changing=may(reader, "locker.change"),
        say=Say(units=shell_of(request).units, zone=_zone(conn, reader, journals)),
    )


@router.get("/new", dependencies=CHANGE)
def show_new(request: Request, conn: Reading, reader: CurrentReader, journals: Journals) -> Response:
    """The form for a new line."""
    return _form(request, None, {}, _zone(conn, reader, journals))


@router.post("/new", dependencies=CHANGE)
def add(
    request: Request, sent: SentForm, work: Writing, reader: CurrentReader, journals: Journals
) -> Response:
    """Enter a new line."""
    zone = _zone(work, reader, journals)

    def act() -> None:
        new = taken(ShopWrite, _entered(sent, zone))
        there = frozenset(shop.id for shop in buying.listed(work, reader).shops)
        buying.put(work, reader, slug_of(f"{new.what} {new.place}", there), new)

    return done_or_again(work, act, LIST, lambda problem: _form(request, None, sent, zone, problem))


@router.get("/{shop}", dependencies=CHANGE)
def show_change(
    request: Request, shop: str, conn: Reading, reader: CurrentReader, journals: Journals
) -> Response:
    """The form to change a line."""
    zone = _zone(conn, reader, journals)
    found = buying.one(conn, reader, shop)
    return _form(request, found, _values(found, zone), zone)


@router.post("/{shop}", dependencies=CHANGE)
def change(
    request: Request, shop: str, sent: SentForm, work: Writing, reader: CurrentReader, journals: Journals
) -> Response:
    """Change a line."""
    zone = _zone(work, reader, journals)
    found = buying.one(work, reader, shop)

    def act() -> None:
        buying.put(work, reader, found.id, taken(ShopWrite, _entered(sent, zone)))

    return done_or_again(work, act, LIST, lambda problem: _form(request, found, sent, zone, problem))


@router.post("/{shop}/remove", dependencies=CHANGE)
def remove(shop: str, work: Writing, reader: CurrentReader) -> Response:
    """Take a line off the list."""
    buying.remove(work, reader, shop)
    return RedirectResponse(LIST, status_code=303)


def _form(
    request: Request,
    shop: ShopShown | None,
    values: Sent,
    zone: ZoneInfo,
    problem: Invalid | Conflict | None = None,
) -> Response:
    return form_page(request, "locker/shop.html", problem, shop=shop, values=values, zone=zone.key)


def _zone(conn: Connection, reader: Reader, journals: Journal) -> ZoneInfo:
    """The time zone in which hours are typed and shown: that of the outfit's latest trip with a plan."""
    trips = journal_queries.trips(conn, reader.outfit)
    dated = sorted((row for row in trips if row.starts_on), key=lambda row: (row.starts_on, row.id))
    for row in reversed(dated[-3:]):
        plan = journals.picture(conn, reader.outfit, row.id).picture.trip
        if plan is not None:
            return plan.place.zone
    return ZoneInfo("UTC")


def _entered(sent: Sent, zone: ZoneInfo) -> dict[str, Any]:
    """What the form says, in the shape the API takes."""
    return {
        **filled(sent, "what", "place", "currency"),
        "meets": sent.get("meets", "").replace(",", " ").split(),
        "until": _moment(sent.get("until", ""), zone),
        "price": sent.get("price", "").replace(",", ".") or None,
        "answers": {key: typed(value) for key, value in lines_of("answers", sent.get("answers", "")).items()},
        "traits": lines_of("traits", sent.get("traits", "")),
    }


def _moment(written: str, zone: ZoneInfo) -> datetime | None:
    if not written:
        return None
    try:
        return datetime.fromisoformat(written).replace(tzinfo=zone)
    except ValueError:
        remedy = "Write it like 2026-09-12T11:00."
        raise Invalid.field("until", written, "This is no date and time.", remedy) from None


def _values(shop: ShopShown, zone: ZoneInfo) -> dict[str, str]:
    """What is entered, as the form shows it."""
    return {
        "what": shop.what,
        "place": shop.place,
        "meets": ", ".join(shop.meets),
        "until": f"{shop.until.astimezone(zone):%Y-%m-%dT%H:%M}" if shop.until else "",
        "price": f"{shop.price:g}" if shop.price is not None else "",
        "currency": shop.currency,
        "answers": as_lines(shop.answers),
        "traits": as_lines(shop.traits),
    }
