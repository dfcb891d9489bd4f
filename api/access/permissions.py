"""Who may do what: one table. Every route names one action of it, or says that it is public.

    @router.post("/trips/{trip}/roster", dependencies=[permit("roster.change")])

An action about a trip finds the trip in the path (``{trip}``). A guide may only touch trips they are assigned
to; the office and the administrator all trips of their outfit. A trip one may not see is answered exactly
like one that does not exist. An action that is not about one trip looks at the role alone; what a route lists
must then be filtered by the reader's outfit, and by ``may_see`` where it lists trips.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any, Literal, Protocol

from fastapi import Depends, FastAPI, Request
from fastapi.routing import iter_route_contexts
from starlette.routing import Mount

from api.access.current import ROLES, CurrentReader, Reader, Role, sees_trip
from api.errors import NotFound, Refused

Scope = Literal["trip", "outfit", "own"]

LEAD: Role = "lead"
ASSISTANT: Role = "assistant"
OFFICE: Role = "office"
ADMIN: Role = "admin"

GUIDES = (LEAD, ASSISTANT)
PLANNERS = (LEAD, OFFICE, ADMIN)
EVERYONE = ROLES

TRIP_PARAMETER = "trip"


@dataclass(frozen=True, slots=True)
class Action:
    """Something that can be done, and by which roles."""

    name: str
    roles: tuple[Role, ...]
    scope: Scope
    says: str


_TABLE: tuple[Action, ...] = (
    Action("trip.read", EVERYONE, "trip", "See the board, the plan, people, conditions and flags"),
    Action("trip.plan", PLANNERS, "trip", "Change the plan: dates, place, stages, hold points, edition"),
    Action("trip.assign", PLANNERS, "trip", "Say which guides are on the trip"),
    Action("trip.export", PLANNERS, "trip", "Take the trip out as a file"),
    Action("roster.change", PLANNERS, "trip", "Add and change people and rope teams, read a roster file in"),
    Action("journal.read", EVERYONE, "trip", "Read the journal, its live changes and its chain"),
    Action("journal.append", EVERYONE, "trip", "Send entries; each kind then asks for its own action"),
    Action("watch.own", EVERYONE, "trip", "Be told on a device of one's own when flags change"),
    Action("forecast.enter", EVERYONE, "trip", "Enter or fetch a forecast"),
    Action("forecast.choose", GUIDES, "trip", "Choose whose forecasts the board rests on"),
    Action("check.record", GUIDES, "trip", "Record gear as seen or tried, and passed hold points"),
    Action(
        "check.report", EVERYONE, "trip", "Record gear as said or pictured, such as a renewed certificate"
    ),
    Action("remark.write", EVERYONE, "trip", "Write a remark, take back an entry of one's own"),
    Action("entry.withdraw", (LEAD,), "trip", "Take back anybody's entry"),
    Action("selfreport.invite", EVERYONE, "trip", "Make and revoke self-report links"),
    Action("health.read", GUIDES, "trip", "Read nights, symptom notes and readings"),
    Action("health.write", GUIDES, "trip", "Write nights, symptom notes and readings"),
    Action("photo.erase", (LEAD, ADMIN), "trip", "Erase the photos of a person's gear for good"),
    Action("health.erase", (LEAD, ADMIN), "trip", "Erase a person's health notes for good"),
    Action("flag.take", EVERYONE, "trip", "Take a flag, hand it back"),
    Action("flag.accept", (LEAD,), "trip", "Accept a flag by name, with reason and bounds"),
    Action("gear.lend", EVERYONE, "trip", "Hand out, share and take back gear; apply a cover plan"),
    Action("call.view", GUIDES, "trip", "Give one's own view before a call, say that a tripwire was crossed"),
    Action("call.make", (LEAD,), "trip", "Make the go/no-go call; set tripwires and the turnaround time"),
    Action("call.countersign", (), "trip", "Sign a call that has arrived: nobody but the service itself"),
    Action("debrief.write", EVERYONE, "trip", "Write what was learnt on a trip"),
    Action("trip.list", EVERYONE, "outfit", "See the list of trips: guides theirs, the others all"),
    Action("trip.create", PLANNERS, "outfit", "Open a new trip"),
    Action("kitlist.read", EVERYONE, "outfit", "Read kit list editions"),
    Action("kitlist.edit", PLANNERS, "outfit", "Change, publish and import kit list editions"),
    Action("locker.read", EVERYONE, "outfit", "See the loan gear"),
    Action("locker.change", EVERYONE, "outfit", "Change the loan gear, quarantine and inspect it"),
    Action("seasons.read", PLANNERS, "outfit", "Review past trips and back-test kit lists"),
    Action("outfit.rules", PLANNERS, "outfit", "Enter ratio and party rules of the permit"),
    Action("staff.manage", (ADMIN,), "outfit", "Invite, change and deactivate staff, end their sign-ins"),
    Action("staff.log", (ADMIN,), "outfit", "Read the log of sign-ins and changes of access"),
    Action("service.measure", (ADMIN,), "outfit", "Read the measurements of the service"),
    Action("account.own", EVERYONE, "own", "One's own password, passkeys, devices and tokens"),
)

ACTIONS: dict[str, Action] = {action.name: action for action in _TABLE}

ENTRY_ACTIONS: dict[str, str] = {
    "trip-planned": "trip.plan",
    "member-set": "roster.change",
    "member-left": "roster.change",
    "ropes-set": "roster.change",
    "sighting": "check.report",
    "hold-passed": "check.record",
    "intention-told": "selfreport.invite",
    "night-told": "health.write",
    "health-note": "health.write",
    "health-erased": "health.erase",
    "consent-given": "health.write",
    "forecast-received": "forecast.enter",
    "forecast-chosen": "forecast.choose",
    "loan-promised": "gear.lend",
    "loan-handed-out": "gear.lend",
    "loan-returned": "gear.lend",
    "loan-released": "gear.lend",
    "flag-taken": "flag.take",
    "flag-released": "flag.take",
    "flag-accepted": "flag.accept",
    "acceptance-ended": "flag.accept",
    "gear-shared": "gear.lend",
    "party-rules-set": "trip.plan",
    "view-given": "call.view",
    "tripwire-set": "call.make",
    "tripwire-ended": "call.make",
    "tripwire-crossed": "call.view",
    "turnaround-set": "call.make",
    "pace-set": "call.make",
    "hours-set": "call.make",
    "call-made": "call.make",
    "call-countersigned": "call.countersign",
    "debrief-note": "debrief.write",
    "remark": "remark.write",
    "withdrawn": "remark.write",
}
"""Which action writing an entry of a kind asks for. A kind that is not listed is refused."""

PUBLIC_PATHS: dict[str, str] = {
    "/static": "style, scripts and pictures",
    "/api/openapi.json": "the description of the API",
}
"""What the framework serves by itself, open to anyone."""


# -- declaring -----------------------------------------------------------------------------------------------


class Permit:
    """The dependency that lets a request through to an action, or says why not."""

    def __init__(self, action: str) -> None:
        self.action = ACTIONS[action]

    async def __call__(self, request: Request, reader: CurrentReader) -> Reader:
        if any("\x00" in str(part) for part in request.path_params.values()):
            raise NotFound("Nothing is kept at this address. Check it.")  # PostgreSQL cannot even look it up
        trip = request.path_params.get(TRIP_PARAMETER)
        if self.action.scope == "trip" and trip is not None:
            await require_trip(request, reader, str(trip))
        require_role(reader, self.action.name)
        return reader


class Public:
    """Marks a route as open to anyone, and says why that is right."""

    def __init__(self, why: str) -> None:
        self.why = why

    async def __call__(self) -> None:
        return None


def permit(action: str) -> Any:
    """The dependency for a route that does `action`. Raises KeyError for one that is not in the table."""
    return Depends(Permit(action))


def public(why: str) -> Any:
    """The dependency for a route that anyone may use, and why."""
    return Depends(Public(why))


# -- asking --------------------------------------------------------------------------------------------------


def may(reader: Reader, action: str) -> bool:
    """Whether the reader's role may do `action`, on a trip they may see."""
    return reader.role in ACTIONS[action].roles


def require_role(reader: Reader, action: str) -> None:
    """Raise Refused when the reader's role may not do `action`."""
    if not may(reader, action):
        who = " or ".join(ROLE_WORDS[role] for role in ACTIONS[action].roles)
        raise Refused(f"This is for the {who}. You are signed in as {ROLE_WORDS[reader.role]}.")


async def require_trip(request: Request, reader: Reader, trip: str) -> None:
    """Raise NotFound when the reader may not see `trip`, in the words used for a trip that does not exist."""
    if not await sees_trip(request, reader, trip):
        raise NotFound(f"There is no trip {trip}. Check the address, or choose it from the list of trips.")


class HasKind(Protocol):
    """An entry, as far as this room knows it."""

    @property
    def kind(self) -> str: ...


def may_write(reader: Reader) -> Callable[[HasKind], str | None]:
    """A check for the store that refuses entries of kinds the reader may not write."""

    def check(entry: HasKind) -> str | None:
        action = ENTRY_ACTIONS.get(entry.kind)
        if action is not None and may(reader, action):
            return None
        roles = ACTIONS[action].roles if action else ()
        who = " or ".join(ROLE_WORDS[role] for role in roles) or "nobody by this way"
        return f"kind: {entry.kind} is for the {who}. Ask them to write it from their own sign-in."

    return check


ROLE_WORDS: dict[Role, str] = {
    "lead": "lead guide",
    "assistant": "assistant guide",
    "office": "office",
    "admin": "administrator",
}


# -- looking at the whole ------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Declared:
    """A route and what it declares: actions, reasons for being public, or nothing."""

    methods: tuple[str, ...]
    path: str
    actions: tuple[str, ...]
    public: tuple[str, ...]

    @property
    def sound(self) -> bool:
        """Exactly one declaration, and a trip in the path where the action is about one."""
        if len(self.actions) + len(self.public) != 1:
            return False
        return not self.actions or ACTIONS[self.actions[0]].scope != "trip" or self.names_trip

    @property
    def names_trip(self) -> bool:
        return f"{{{TRIP_PARAMETER}}}" in self.path


def declared(app: FastAPI) -> Iterator[Declared]:
    """Every route of `app` with what it declares, mounted folders included."""
    for route in app.routes:
        if isinstance(route, Mount):
            yield Declared(("GET",), route.path, (), _public_path(route.path))
    for context in iter_route_contexts(app.routes):
        if isinstance(context.original_route, Mount):
            continue
        dependant = getattr(context, "dependant", None)
        marks = list(_marks(dependant)) if dependant is not None else []
        path = context.path or ""
        yield Declared(
            tuple(sorted(context.methods or ())),
            path,
            tuple(mark.action.name for mark in marks if isinstance(mark, Permit)),
            tuple(mark.why for mark in marks if isinstance(mark, Public)) + _public_path(path),
        )


def check_declared(app: FastAPI) -> None:
    """Raise RuntimeError when a route does not declare exactly one action, or is not said to be public."""
    wrong = [f"{' '.join(route.methods)} {route.path}" for route in declared(app) if not route.sound]
    if wrong:
        raise RuntimeError(
            "These routes do not declare who may use them: "
            + "; ".join(wrong)
            + '. Give each exactly one of dependencies=[permit("an.action")] or [public("why")], '
            f"with {{{TRIP_PARAMETER}}} in the path when the action is about a trip; see docs/access.md."
        )


def _public_path(path: str) -> tuple[str, ...]:
    return (PUBLIC_PATHS[path],) if path in PUBLIC_PATHS else ()


def _marks(dependant: Any) -> Iterator[Permit | Public]:
    if isinstance(dependant.call, Permit | Public):
        yield dependant.call
    for part in dependant.dependencies:
        yield from _marks(part)


def access_table() -> str:
    """The table as Markdown, for the documentation."""
    head = "| action | " + " | ".join(ROLE_WORDS[role] for role in ROLES) + " | what it is |"
    rows = [head, "| --- |" + " :-: |" * len(ROLES) + " --- |"]
    for action in _TABLE:
        cells = [_cell(action, role) for role in ROLES]
        rows.append(f"| `{action.name}` | {' | '.join(cells)} | {action.says} |")
    return "\n".join(rows) + "\n"


def entry_table() -> str:
    """Which action each kind of entry asks for, as Markdown."""
    rows = ["| kind of entry | action |", "| --- | --- |"]
    return "\n".join(rows + [f"| `{kind}` | `{action}` |" for kind, action in ENTRY_ACTIONS.items()]) + "\n"


def _cell(action: Action, role: Role) -> str:
    if role not in action.roles:
        return "–"
    if action.scope == "own":
        return "own"
    if action.scope == "trip":
        return "assigned trips" if role in GUIDES else "all trips"
    return "yes"
