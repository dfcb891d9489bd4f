"""Messages that carry a personal link, and reminders that go out by themselves on set days."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import Any

from sqlalchemy import Connection

from api.access.current import Reader
from api.db import Database
from api.errors import Conflict, Invalid
from api.journal.queries import outfits, trips
from api.journal.trip import TripPlan
from api.readiness.delivery import NotDelivered, check_address, deliver
from api.readiness.evaluation import Evaluation
from api.readiness.service import Readiness
from api.selfreport import links, queries
from api.selfreport.queries import LinkRow
from api.selfreport.rules import Chase, post_by, to_chase
from api.settings import Settings
from web.locale import Language, choose

BY_ITSELF = "Reminders"
"""Who makes the links of reminders that nobody asked for."""
_ADDRESS = re.compile(r"[^\s,;<>()]+@[^\s,;<>()]+\.[^\s,;<>()]+")


@dataclass(frozen=True, slots=True)
class Letter:
    """A message with a personal link. Handed over at once and kept nowhere: it carries a token."""

    id: str
    address: str
    title: str
    text: str
    channel: str = "email"
    payload: Mapping[str, Any] = field(default_factory=dict)


def mail_address(contact: str) -> str:
    """The first e-mail address in how a person can be reached; empty when there is none."""
    found = _ADDRESS.search(contact)
    return found.group() if found else ""


def message(
    language: Language, plan: TripPlan, name: str, address: str, chase: Chase | None, last_post: date
) -> tuple[str, str]:
    """Title and text of a message with a link, in the person's language; with a `chase`, of a reminder."""
    _ = language.say
    title = _("Your list for {trip}", trip=plan.name)
    parts = [_("Hello {name},", name=name)]
    if chase is None:
        parts.append(
            _(
                "this link is your own list for {trip}, which starts on {day}. It says what you need and what"
                " it is for. Please answer for each thing what you have.",
                trip=plan.name,
                day=language.long_day(plan.starts_on),
            )
        )
    else:
        parts.append(
            _(
                "a reminder of your list for {trip}, which starts on {day}. Please look at what is still open"
                " and answer by this link.",
                trip=plan.name,
                day=language.long_day(plan.starts_on),
            )
        )
    parts.append(address)
    if chase is not None and chase.things:
        listed = "\n".join(f"- {language.listed(thing.item)}" for thing in chase.things)
        parts.append(_("Still open:") + "\n" + listed)
    parts.append(_("What has to be sent by post must be settled by {day}.", day=language.long_day(last_post)))
    parts.append(_("The link is for you alone. Please do not pass it on."))
    return title, "\n\n".join(parts)


# -- by themselves -------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Due:
    """Someone to be reminded today."""

    outfit: str
    trip: str
    evaluation: Evaluation
    chase: Chase
    link: LinkRow
    address: str


def days_before(settings: Settings) -> tuple[int, ...]:
    """How many days before a trip people are reminded."""
    return tuple(int(days) for days in settings.remind_days_before.split(",") if days.strip())


def reminder_day(starts_on: date, before: tuple[int, ...], today: date) -> date | None:
    """The latest day for reminders that has come; None before the first, and once the trip has started."""
    past = [on for days in before if (on := starts_on - timedelta(days=days)) <= today]
    return max(past) if past and today < starts_on else None


def due(conn: Connection, settings: Settings, readiness: Readiness) -> Iterator[Due]:
    """Everyone with something open and a link that works, who was not written to since the last such day."""
    now = readiness.clock.now()
    for outfit, _ in outfits(conn):
        for row in trips(conn, outfit):
            if row.starts_on is None or row.starts_on < now.date() - timedelta(days=1):
                continue
            evaluation = readiness.evaluation(conn, outfit, row.id)
            plan = evaluation.plan
            zone = plan.place.zone
            on = reminder_day(plan.starts_on, days_before(settings), now.astimezone(zone).date())
            if on is None:
                continue
            newest = links.newest_of(conn, outfit, row.id)
            for chase in to_chase(evaluation, post_by(plan.starts_on, settings.post_days_before)):
                link = newest.get(chase.member)
                if link is None or not link.open_at(now) or not (chase.things or chase.nights_open):
                    continue
                written = max(link.created_at, link.sent_at or link.created_at).astimezone(zone).date()
                if written < on:
                    contact = evaluation.picture.profiles[chase.member].contact
                    yield Due(outfit, row.id, evaluation, chase, link, mail_address(contact))


def remind_due(db: Database, settings: Settings, readiness: Readiness) -> Iterator[str]:
    """Write to everyone who is due; answers with a line for each, as it goes.

    The link a person has goes on working until the message with the new one is with the mail server. Raises
    Conflict when there is no mail server or no address for links.
    """
    if not (settings.smtp_host and settings.mail_from and settings.base_url):
        raise Conflict(
            "Reminders need a mail server and an address for links. Set RIMAYE_SMTP_HOST, RIMAYE_MAIL_FROM"
            " and RIMAYE_BASE_URL."
        )
    with db.reading() as conn:
        waiting = list(due(conn, settings, readiness))
    for one in waiting:
        yield f"{one.trip}, {one.chase.name}: {_remind(db, settings, readiness, one)}"


def _remind(db: Database, settings: Settings, readiness: Readiness, one: Due) -> str:
    try:
        address = check_address(settings, "email", one.address)
    except Invalid:
        return "no e-mail address is known"
    reader = Reader(outfit=one.outfit, staff="", name=BY_ITSELF, role="office", everywhere=True)
    with db.writing() as work:
        made = links.make(
            work, settings, readiness.journal, reader, one.trip, [one.chase.member], end_others=False
        )[0]
    plan, profile = one.evaluation.plan, one.evaluation.picture.profiles[one.chase.member]
    title, text = message(
        choose(None, profile.language, ""),
        plan,
        profile.name,
        f"{settings.base_url.rstrip('/')}/r/{made.token}",
        one.chase,
        post_by(plan.starts_on, settings.post_days_before),
    )
    now = readiness.clock.now()
    try:
        deliver(settings, Letter(made.row.id, address, title, text), now)
    except NotDelivered as error:
        with db.writing() as work:
            queries.end(work, one.outfit, one.trip, now, id=made.row.id)
        return f"not sent, the mail server did not take it: {error}"
    with db.writing() as work:
        queries.end(work, one.outfit, one.trip, now, id=one.link.id)
        queries.sent(work, made.row.id, address, now)
    return f"reminded at {address}"
