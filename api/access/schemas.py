"""What goes over the wire about access. No secret but the one just made, which is shown once."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field

from api.access.current import Role

ShortText = Annotated[str, Field(min_length=1, max_length=120)]
Id = Annotated[str, Field(min_length=1, max_length=80, pattern=r"^[a-z0-9][a-z0-9-]*$")]


class Wire(BaseModel):
    """Unknown fields are refused."""

    model_config = ConfigDict(extra="forbid")


class Me(Wire):
    """Who is signed in, and what their role may do."""

    id: str
    name: str
    role: Role
    outfit: str
    actions: list[str]


class Person(Wire):
    """One of the staff."""

    id: str
    name: str
    email: str
    role: str
    active: bool


class InviteIn(Wire):
    """Someone to be let in."""

    name: ShortText
    email: Annotated[str, Field(min_length=3, max_length=254)]
    role: Role


class Invited(Wire):
    """A new account and its link, which is good once and shown once."""

    id: str
    link: str
    expires_at: datetime


class PersonChange(Wire):
    """What is to change about someone; what is left out stays."""

    role: Role | None = None
    active: bool | None = None


class TokenIn(Wire):
    """A token for a program: what it is for, in which role it acts, and how long it is good."""

    label: ShortText
    role: Role
    days: Annotated[int, Field(ge=1, le=365)] = 90


class TokenMade(Wire):
    """The token, shown once."""

    token: str


class TokenKept(Wire):
    """A token as it is listed: without its secret."""

    id: str
    label: str
    role: str
    created_at: datetime
    expires_at: datetime
    used_at: datetime | None


class Assigned(Wire):
    """A guide on a trip, and which of its members that is, if known."""

    staff: Id
    member: Id | None = None


class AssignedPerson(Assigned):
    """The same with the name, as it is read."""

    name: str
    role: str


class AssignedIn(Wire):
    """Exactly those who are to be assigned."""

    staff: Annotated[list[Assigned], Field(max_length=100)]


class LogLine(Wire):
    """A line of the staff log."""

    id: str
    at: datetime
    who: str | None
    what: str
    about: str
    address: str


class Credential(Wire):
    """What the browser hands over of a passkey, as WebAuthn Level 3 writes it in JSON."""

    model_config = ConfigDict(extra="forbid")

    credential: dict[str, Any]
    label: Annotated[str, Field(max_length=120)] = ""
    back: Annotated[str, Field(max_length=500)] = "/"


class Onward(Wire):
    """Where to go on."""

    to: str
