"""Pages of the people on a trip and of the rope teams."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import Response
from pydantic import TypeAdapter, ValidationError

from api.access.current import CurrentReader, Reader
from api.access.permissions import permit
from api.db import Reading, Writing
from api.errors import Conflict, Invalid, from_validation
from api.journal.pictures import Snapshot
from api.journal.service import Journals
from api.journal.trip import MemberProfile, RopeTeam, Slug
from api.roster import service
from api.roster.changes import Change, ChangedMeanwhile, invalid
from api.roster.rope_places import moved, put_on
from api.roster.rules import FieldError
from web import words
from web.pages.roster_forms import Form, Sent, row_of
from web.pages.roster_show import form_page, saved

router = APIRouter(include_in_schema=False)

USUAL_SIZES = ("boot", "head", "waist", "height", "mitt")
BLANK_SIZES = 1
NO_ROPE = "none"
_ROPES: TypeAdapter[list[RopeTeam]] = TypeAdapter(list[RopeTeam])


# -- people


@router.get("/trips/{trip}/roster", dependencies=[permit("trip.read")])
def show_people(
    request: Request, trip: Slug, conn: Reading, reader: CurrentReader, journals: Journals
) -> Response:
    """Everyone on the trip, in rope order."""
    snapshot = journals.picture(conn, reader.outfit, trip)
    return form_page(
        request,
        "roster/people.html",
        snapshot,
        reader=reader,
        people=service.in_rope_order(snapshot.picture),
        rope_of={m: rope.name for rope in snapshot.picture.rope_teams for m in rope.members},
    )


@router.get("/trips/{trip}/roster/people/{member}", dependencies=[permit("roster.change")])
def edit_member(
    request: Request, trip: Slug, member: Slug, conn: Reading, reader: CurrentReader, journals: Journals
) -> Response:
    """The form of one person; ``new`` is one to be added."""
    snapshot = journals.picture(conn, reader.outfit, trip)
    if member == "new":
        # The id is made here, so that a form that is sent twice adds one person.
        values = {"role": "climber", "rope": NO_ROPE} | _size_values({})
        return _member_form(request, snapshot, service.new_member_id(), values)
    profile = service.profile_of_member(snapshot.picture, member)
    return _member_form(request, snapshot, member, _member_values(profile, member, snapshot))


@router.post("/trips/{trip}/roster/people/{member}", dependencies=[permit("roster.change")])
def change_member(
    request: Request,
    trip: Slug,
    member: Slug,
    sent: Sent,
    work: Writing,
    reader: CurrentReader,
    journals: Journals,
) -> Response:
    """Add or change a person, and put them on a rope."""

    def act() -> Change:
        seen_seq, profile = sent.seen_seq(), _profile_from(sent)
        known = {"seen_seq": seen_seq, "device": "page"}
        first = service.set_member(work, journals, reader, trip, member, profile, **known)  # type: ignore[arg-type]
        rope = sent.text("rope")
        if not rope or rope == sent.text("rope_was"):
            return first
        target = None if rope == NO_ROPE else rope
        second = service.set_ropes(
            work,
            journals,
            reader,
            trip,
            lambda ropes: put_on(ropes, member, target),
            **known,  # type: ignore[arg-type]
        )
        return Change(second.seq, first.changed or second.changed, first.also_changed)

    def form(problem: Invalid | Conflict) -> Response:
        snapshot = journals.picture(work, reader.outfit, trip)
        return _member_form(request, snapshot, member, sent.typed(), problem)

    return saved(work, act, f"/trips/{trip}/roster#{member}", form)


@router.post("/trips/{trip}/roster/people/{member}/leave", dependencies=[permit("roster.change")])
def remove_member(
    request: Request,
    trip: Slug,
    member: Slug,
    sent: Sent,
    work: Writing,
    reader: CurrentReader,
    journals: Journals,
) -> Response:
    """Take a person off the trip."""

    def act() -> Change:
        return service.remove_member(
            work,
            journals,
            reader,
            trip,
            member,
            reason=sent.text("reason"),
            seen_seq=sent.seen_seq(),
            device="page",
        )

    def form(problem: Invalid | Conflict) -> Response:
        snapshot = journals.picture(work, reader.outfit, trip)
        profile = service.profile_of_member(snapshot.picture, member)
        return _member_form(request, snapshot, member, _member_values(profile, member, snapshot), problem)

    return saved(work, act, f"/trips/{trip}/roster", form)


def _member_form(
    request: Request,
    snapshot: Snapshot,
    member: str,
    values: Mapping[str, Any],
    problem: Invalid | Conflict | None = None,
) -> Response:
    sizes = 1 + max((row_of(name, "size") for name in values), default=-1)
    return form_page(
        request,
        "roster/person.html",
        snapshot,
        problem,
        member=member,
        known=member in snapshot.picture.members,
        values=values,
        sizes=sizes if problem else sizes + BLANK_SIZES,
        usual_sizes=USUAL_SIZES,
        roles=list(words.ROLES.items()),
        ropes=[(NO_ROPE, "no rope")] + [(rope.id, rope.name) for rope in snapshot.picture.rope_teams],
    )


def _member_values(profile: MemberProfile, member: str, snapshot: Snapshot) -> dict[str, Any]:
    rope = next((rope.id for rope in snapshot.picture.rope_teams if member in rope.members), NO_ROPE)
    values: dict[str, Any] = {
        "name": profile.name,
        "role": profile.role.value,
        "contact": profile.contact,
        "language": profile.language,
        "about": profile.about,
        "rope": rope,
        "rope_was": rope,
    }
    return values | _size_values(profile.sizes)


def _size_values(sizes: Mapping[str, str]) -> dict[str, str]:
    """Rows for the sizes that are known, then for the usual ones that are not."""
    rows = {**sizes, **{what: "" for what in USUAL_SIZES if what not in sizes}}
    values: dict[str, str] = {}
    for index, (what, size) in enumerate(rows.items()):
        values |= {f"size.{index}.what": what, f"size.{index}.is": size}
    return values


def _profile_from(sent: Form) -> MemberProfile:
    """The person the form says. Raises Invalid naming every field at fault."""
    sizes: dict[str, str] = {}
    fields: dict[str, str] = {}
    for row in sorted({row for name in sent.names() if (row := row_of(name, "size")) >= 0}):
        value = sent.text(f"size.{row}.is")
        if not value:
            continue
        what = re.sub(r"[^a-z0-9]+", "-", sent.text(f"size.{row}.what").lower()).strip("-")
        if not what:
            remedy = "Say what the size is for, for example boot."
            sent.problems.append(FieldError(f"size.{row}.what", "", "A size is given for nothing.", remedy))
        elif what in sizes:
            remedy = "Keep one of the two."
            sent.problems.append(FieldError(f"size.{row}.what", what, "This size is given twice.", remedy))
        sizes[what] = value
        fields[f"sizes.{what}"] = f"size.{row}.is"
    sent.check()
    try:
        return MemberProfile.model_validate(
            {name: sent.text(name) for name in ("name", "role", "contact", "language", "about")}
            | {"sizes": sizes}
        )
    except ValidationError as error:
        problem = from_validation(error.errors())
        raise invalid(
            *(FieldError(fields.get(f.field, f.field), f.value, f.message, f.remedy) for f in problem.fields)
        ) from error


# -- ropes


@router.get("/trips/{trip}/roster/ropes", dependencies=[permit("roster.change")])
def edit_ropes(
    request: Request, trip: Slug, conn: Reading, reader: CurrentReader, journals: Journals
) -> Response:
    """The rope teams, with buttons to move people."""
    return _ropes_page(request, journals.picture(conn, reader.outfit, trip), reader)


@router.post("/trips/{trip}/roster/ropes", dependencies=[permit("roster.change")])
def change_ropes(
    request: Request, trip: Slug, sent: Sent, work: Writing, reader: CurrentReader, journals: Journals
) -> Response:
    """One step: move somebody, add, name or take away a rope."""

    def act() -> Change:
        return service.set_ropes(
            work,
            journals,
            reader,
            trip,
            lambda ropes: _step(sent, ropes),
            seen_seq=sent.seen_seq(),
            device="page",
        )

    def form(problem: Invalid | Conflict) -> Response:
        snapshot = journals.picture(work, reader.outfit, trip)
        yours: tuple[RopeTeam, ...] = ()
        if isinstance(problem, ChangedMeanwhile):
            yours = tuple(_step(sent, snapshot.at(sent.seen_seq()).picture.rope_teams))
        return _ropes_page(request, snapshot, reader, problem, yours=yours)

    member = sent.text("member")
    return saved(work, act, f"/trips/{trip}/roster/ropes" + (f"#{member}" if member else ""), form)


def _step(sent: Form, ropes: tuple[RopeTeam, ...]) -> Iterable[RopeTeam]:
    """The ropes after what the pressed button means."""
    member, rope, name = sent.text("member"), sent.text("rope"), sent.text("name")
    match sent.text("do"):
        case "up":
            return moved(ropes, member, -1)
        case "down":
            return moved(ropes, member, 1)
        case "move":
            return put_on(ropes, member, None if rope == NO_ROPE else rope)
        case "add":
            return (*ropes, _rope(service.new_rope_id(), name, ()))
        case "rename":
            return [_rope(r.id, name, r.members) if r.id == rope else r for r in ropes]
        case "remove":
            return [r for r in ropes if r.id != rope]
        case "whole":
            return _whole_ropes(sent.text("ropes"))
    raise invalid(FieldError("do", sent.text("do"), "Nothing was chosen.", "Press one of the buttons."))


def _rope(rope_id: str, name: str, members: tuple[str, ...]) -> RopeTeam:
    try:
        return RopeTeam(id=rope_id, name=name, members=members)
    except ValidationError as error:
        raise from_validation(error.errors()) from error


def _whole_ropes(text: str) -> list[RopeTeam]:
    try:
        return _ROPES.validate_json(text)
    except ValidationError as error:
        raise from_validation(error.errors()) from error


def _ropes_page(
    request: Request,
    snapshot: Snapshot,
    reader: Reader,
    problem: Invalid | Conflict | None = None,
    *,
    yours: tuple[RopeTeam, ...] = (),
) -> Response:
    picture = snapshot.picture
    return form_page(
        request,
        "roster/ropes.html",
        snapshot,
        problem,
        reader=reader,
        ropes=picture.rope_teams,
        names={member: profile.name for member, profile in picture.profiles.items()},
        roles={member: words.ROLES[profile.role] for member, profile in picture.profiles.items()},
        loose=service.without_rope(picture),
        yours=yours,
        yours_json=_ROPES.dump_json(list(yours)).decode() if yours else "",
    )
