"""Two outfits with staff in every role and three trips, and clients that are signed in."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from fastapi import FastAPI
from sqlalchemy import Connection, text

from api.access import assigning, queries, service
from api.access.current import ROLES, SESSION_COOKIE, Reader, Role
from api.access.tokens import Visitor
from api.db import Database
from api.journal.queries import create_outfit, create_trip
from tests.support.client import IsolatedTestClient

OUR = "north-ridge"
THEIR = "south-face"
OWN_TRIP = "own-trip"
OTHER_TRIP = "other-trip"
FOREIGN_TRIP = "foreign-trip"
UNKNOWN_TRIP = "unknown-trip"
PASSWORD = "seven slow marmots whistle"
PHONE = Visitor("192.0.2.77", "Mozilla/5.0 (Linux; Android 16; Mobile) Firefox/150.0")
A_PAGE = {"accept": "text/html"}


def email_of(role: Role, outfit: str = OUR) -> str:
    return f"{role}@{outfit}.example"


def staff_id(role: Role, outfit: str = OUR) -> str:
    return f"{role}-of-{outfit}"


def furnish(conn: Connection, now: datetime) -> None:
    """Put both outfits, staff and trips there. Our guides are assigned to one of our two trips."""
    for outfit in (OUR, THEIR):
        create_outfit(conn, outfit, outfit.replace("-", " ").title())
        for role in ROLES:
            queries.add_staff(
                conn,
                {
                    "id": staff_id(role, outfit),
                    "outfit_id": outfit,
                    "name": f"The {role} of {outfit}",
                    "email": email_of(role, outfit),
                    "role": role,
                    "active": True,
                    "password_hash": None,
                    "openid_subject": None,
                    "created_at": now,
                },
            )
    for trip, outfit in ((OWN_TRIP, OUR), (OTHER_TRIP, OUR), (FOREIGN_TRIP, THEIR)):
        create_trip(conn, trip, outfit, now)
    for role in assigning.GUIDE_ROLES:
        assigning.assign_one(conn, OWN_TRIP, staff_id(role), now, by=staff_id("admin"))
        assigning.assign_one(conn, FOREIGN_TRIP, staff_id(role, THEIR), now, by=staff_id("admin", THEIR))


def hold(client: IsolatedTestClient, token: str) -> None:
    """Put a session token into a client's cookies, as this site would."""
    client.cookies.set(SESSION_COOKIE, token, domain="127.0.0.1", path="/")


@dataclass
class House:
    """A furnished installation, and keys to it."""

    app: FastAPI

    @property
    def db(self) -> Database:
        found: Database = self.app.state.db
        return found

    @property
    def now(self) -> datetime:
        moment: datetime = self.app.state.clock.now()
        return moment

    def session(self, role: Role, outfit: str = OUR) -> service.Opened:
        """A session of someone, opened as if they had signed in."""
        with self.db.writing() as work:
            person = queries.staff_by_id(work, staff_id(role, outfit))
            assert person is not None
            return service.open_session(
                work, person, self.now, how="password", visitor=PHONE, lasts=timedelta(days=21)
            )

    def client(self, role: Role | None = None, outfit: str = OUR) -> IsolatedTestClient:
        """A client of its own cookie jar: signed in as `role`, or a stranger."""
        client = IsolatedTestClient(self.app, follow_redirects=False)
        if role is not None:
            hold(client, self.session(role, outfit).token)
        return client

    def reader(self, role: Role, outfit: str = OUR) -> Reader:
        """Someone as a route sees them."""
        return Reader(outfit, staff_id(role, outfit), f"The {role} of {outfit}", role, session="a-session")

    def give_password(self, role: Role, outfit: str = OUR, password: str = PASSWORD) -> None:
        """Let someone have a password."""
        hashed = self.app.state.passwords._hasher.hash(password)
        with self.db.writing() as work:
            queries.change_staff(work, staff_id(role, outfit), {"password_hash": hashed})

    def log(self) -> list[tuple[str | None, str, str]]:
        """Lines of the staff log: who, what, about."""
        with self.db.reading() as conn:
            found = conn.execute(text("SELECT staff_id, what, about FROM staff_log ORDER BY id"))
            return [(row.staff_id, row.what, row.about) for row in found]
