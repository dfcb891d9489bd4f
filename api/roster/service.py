"""Use cases of the roster: make a trip, change its plan, its people and its ropes. All becomes entries.

A change says up to which entry its writer had read. What others changed after that is kept where it does not
touch the same thing; where it does, nothing is written and both versions are put before the writer.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Iterable, Sequence
from typing import Any

from pydantic import ValidationError
from sqlalchemy import Connection

from api.access import assigning as access
from api.access.current import Reader
from api.db import Work
from api.errors import Conflict, Invalid, NotFound, from_validation
from api.ids import new_id
from api.journal import queries as journal_queries
from api.journal import store
from api.journal.fold import Picture, Record
from api.journal.kinds import MemberLeft, MemberSet, RopesSet, TripPlanned
from api.journal.pictures import Snapshot
from api.journal.queries import TripRow
from api.journal.service import Journal
from api.journal.trip import MemberProfile, RopeTeam, TripPlan
from api.kitlist import service as kit_lists
from api.roster.changes import (
    Change,
    ChangedMeanwhile,
    check_texts,
    invalid,
    merged_or_clash,
    seen,
    whole,
    write,
)
from api.roster.merging import (
    Difference,
    Merged,
    differences,
    plan_of,
    plan_parts,
    profile_of,
    profile_parts,
    rope_parts,
    ropes_of,
)
from api.roster.rope_places import like_rope
from api.roster.rules import FieldError, moved

MOST_PEOPLE = 200


# -- reading


def list_trips(conn: Connection, reader: Reader) -> list[TripRow]:
    """The outfit's trips, the next to start first."""
    return journal_queries.trips(conn, reader.outfit)


def plan_in_force(picture: Picture, trip_id: str) -> TripPlan:
    """The plan of a trip. Raises NotFound while there is none."""
    if picture.trip is None:
        raise NotFound(f"The trip {trip_id} has no plan yet. Make one first.")
    return picture.trip


def profile_of_member(picture: Picture, member: str) -> MemberProfile:
    """A person on the trip. Raises NotFound when there is no such person, or they have left."""
    found = picture.profiles.get(member)
    if found is None:
        raise NotFound(
            f"There is nobody {member} on this trip. They may have left it; see the list of people."
        )
    return found


def in_rope_order(picture: Picture) -> list[tuple[str, MemberProfile]]:
    """Everyone on the trip by id, in rope order; people without a rope follow by name."""
    profiles = picture.profiles
    order = [member for rope in picture.rope_teams for member in rope.members]
    rest = sorted(set(profiles) - set(order), key=lambda member: (profiles[member].name.casefold(), member))
    return [(member, profiles[member]) for member in (*order, *rest)]


def without_rope(picture: Picture) -> list[str]:
    """Members who are on no rope, by name."""
    on_ropes = {member for rope in picture.rope_teams for member in rope.members}
    return [member for member, _ in in_rope_order(picture) if member not in on_ropes]


# -- trips and plans


def create_trip(work: Work, journal: Journal, reader: Reader, plan: TripPlan, *, device: str) -> str:
    """Open a trip with this plan. Returns its id."""
    check_texts("plan", plan)
    trip_id = new_trip_id(plan.name)
    journal_queries.create_trip(work, trip_id, reader.outfit, journal.clock.now())
    _use_edition(work, reader, None, plan)
    journal.write(work, reader, trip_id, TripPlanned(plan=plan), device=device)
    access.assign_creator(work, reader, trip_id, journal.clock.now())
    return trip_id


def new_trip_id(name: str) -> str:
    """An id made of a trip's name and a few random signs, so that two of one name do not meet."""
    plain = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode().lower()
    slug = re.sub(r"[^a-z0-9]+", "-", plain)[:40].strip("-") or "trip"
    return f"{slug}-{new_id().hex[-6:]}"


def new_member_id() -> str:
    """An id for a new person; it says nothing about them."""
    return f"m-{new_id().hex[-12:]}"


def new_rope_id() -> str:
    """An id for a new rope."""
    return f"r-{new_id().hex[-12:]}"


def change_plan(
    work: Work,
    journal: Journal,
    reader: Reader,
    trip_id: str,
    edit: Callable[[TripPlan], TripPlan],
    *,
    seen_seq: int,
    device: str,
) -> Change:
    """Change a plan as the writer saw it at ``seen_seq``: ``edit`` makes the new plan from that one.

    Raises
    ------
    ChangedMeanwhile
        When someone else changed the same parts since.
    Invalid
        When the new plan does not hold together.
    """
    snapshot, before = seen(work, journal, reader, trip_id, seen_seq)
    base, theirs = before.picture.trip, snapshot.picture.trip
    wanted = _edited(edit, plan_in_force(before.picture, trip_id))
    check_texts("plan", wanted)
    record = snapshot.picture.plan
    merged = merged_or_clash(
        snapshot, record, plan_parts(base), plan_parts(wanted), plan_parts(theirs), "the plan"
    )
    plan = whole(plan_of, merged, snapshot, record, wanted, theirs, plan_parts, "the plan")
    if plan == theirs:
        return Change(snapshot.seq, False, merged.also_paths)
    _use_edition(work, reader, theirs, plan)
    return write(work, journal, reader, snapshot, merged, TripPlanned(plan=plan), device=device)


def shift_plan(
    work: Work, journal: Journal, reader: Reader, trip_id: str, days: int, *, seen_seq: int, device: str
) -> Change:
    """Move the whole plan by days, at the same local times."""
    return change_plan(
        work, journal, reader, trip_id, lambda plan: moved(plan, days), seen_seq=seen_seq, device=device
    )


def _edited(edit: Callable[[TripPlan], TripPlan], plan: TripPlan) -> TripPlan:
    try:
        return edit(plan)
    except FieldError as error:
        raise invalid(error) from error
    except ValidationError as error:
        raise from_validation(error.errors()) from error


def _use_edition(work: Work, reader: Reader, before: TripPlan | None, plan: TripPlan) -> None:
    """Mark the kit list edition a plan newly names as used. Raises Invalid when there is none of that id."""
    if plan.edition_id is None or (before and before.edition_id == plan.edition_id):
        return
    try:
        kit_lists.mark_used(work, reader.outfit, plan.edition_id)
    except NotFound as error:
        raise Invalid.field(
            "edition_id", plan.edition_id, "There is no such kit list edition.", "Choose one from the list."
        ) from error


# -- people


def set_member(
    work: Work,
    journal: Journal,
    reader: Reader,
    trip_id: str,
    member: str,
    profile: MemberProfile,
    *,
    seen_seq: int,
    device: str,
) -> Change:
    """Put a person on the trip, or change what is known about them. Raises ChangedMeanwhile and Invalid."""
    check_texts("profile", profile)
    snapshot, before = seen(work, journal, reader, trip_id, seen_seq)
    base, theirs = before.picture.profiles.get(member), snapshot.picture.profiles.get(member)
    record = _last_about(snapshot, member)
    if base is not None and theirs is None:
        gone = Difference("member", base.name, profile.name, None)
        raise ChangedMeanwhile(snapshot, [gone], record, f"that {base.name} is on the trip")
    if theirs is None and len(snapshot.picture.members) >= MOST_PEOPLE:
        raise Conflict(f"A trip has at most {MOST_PEOPLE} people. Take someone off first.")
    merged = merged_or_clash(
        snapshot, record, profile_parts(base), profile_parts(profile), profile_parts(theirs), profile.name
    )
    wanted = profile_of(merged.parts)
    if wanted == theirs:
        return Change(snapshot.seq, False, merged.also_paths)
    body = MemberSet(member=member, profile=wanted)
    return write(work, journal, reader, snapshot, merged, body, device=device)


def remove_member(
    work: Work,
    journal: Journal,
    reader: Reader,
    trip_id: str,
    member: str,
    *,
    reason: str,
    seen_seq: int,
    device: str,
) -> Change:
    """Take a person off the trip. Nothing known about them is lost; adding the same id brings it back."""
    snapshot, before = seen(work, journal, reader, trip_id, seen_seq)
    theirs = snapshot.picture.profiles.get(member)
    base = before.picture.profiles.get(member)
    if theirs is None:
        if base is None:
            profile_of_member(snapshot.picture, member)
        return Change(snapshot.seq, False)
    if base != theirs:
        keys = [key for key, value in profile_parts(theirs).items() if profile_parts(base).get(key) != value]
        found = differences(keys, profile_parts(base), {}, profile_parts(theirs))
        raise ChangedMeanwhile(snapshot, found, snapshot.picture.members[member], theirs.name)
    journal.write(
        work, reader, trip_id, MemberLeft(member=member, reason=reason), device=device, seen_seq=snapshot.seq
    )
    return Change(store.head(work, trip_id).seq, True)


# -- ropes


def set_ropes(
    work: Work,
    journal: Journal,
    reader: Reader,
    trip_id: str,
    edit: Callable[[tuple[RopeTeam, ...]], Iterable[RopeTeam]],
    *,
    seen_seq: int,
    device: str,
) -> Change:
    """Change the ropes as the writer saw them at ``seen_seq``. Raises ChangedMeanwhile and Invalid."""
    snapshot, before = seen(work, journal, reader, trip_id, seen_seq)
    base, theirs = before.picture.rope_teams, snapshot.picture.rope_teams
    wanted = tuple(edit(base))
    _check_ropes(wanted, snapshot.picture, before.picture)
    record = snapshot.picture.ropes
    merged = merged_or_clash(
        snapshot, record, rope_parts(base), rope_parts(wanted), rope_parts(theirs), "the rope teams"
    )
    ropes = wanted if theirs == base else _kept_apart(merged, snapshot, base, wanted, theirs)
    if ropes == theirs:
        return Change(snapshot.seq, False, merged.also_paths)
    return write(work, journal, reader, snapshot, merged, RopesSet(ropes=ropes), device=device)


def _kept_apart(
    merged: Merged,
    snapshot: Snapshot,
    base: tuple[RopeTeam, ...],
    wanted: tuple[RopeTeam, ...],
    theirs: tuple[RopeTeam, ...],
) -> tuple[RopeTeam, ...]:
    """The merged ropes. Raises ChangedMeanwhile when they put someone on two ropes, or use one name twice."""
    ropes = ropes_of(merged.parts)
    people = [member for rope in ropes for member in rope.members]
    names = [like_rope(rope.name) for rope in ropes]
    if len(set(people)) == len(people) and len(set(names)) == len(names):
        return ropes
    found = differences(merged.parts, rope_parts(base), rope_parts(wanted), rope_parts(theirs))
    raise ChangedMeanwhile(snapshot, found, snapshot.picture.ropes, "the rope teams")


def _check_ropes(ropes: Sequence[RopeTeam], now: Picture, before: Picture) -> None:
    problems: list[FieldError] = []
    seen_names: dict[str, str] = {}
    seen_people: dict[str, str] = {}
    for index, rope in enumerate(ropes):
        field = f"ropes.{index}"
        other = seen_names.setdefault(like_rope(rope.name), rope.id)
        if other != rope.id:
            remedy = "Give each rope a name of its own."
            problems.append(FieldError(f"{field}.name", rope.name, "Another rope has this name.", remedy))
        for member in rope.members:
            if member not in now.members and member not in before.members:
                remedy = "Add the person to the trip first."
                problems.append(
                    FieldError(f"{field}.members", member, "Nobody of this id is on the trip.", remedy)
                )
            if seen_people.setdefault(member, rope.id) != rope.id:
                remedy = "Take them off the other rope."
                problems.append(FieldError(f"{field}.members", member, "Already on another rope.", remedy))
    if problems:
        raise invalid(*problems)
    check_texts("ropes", *ropes)


def _last_about(snapshot: Snapshot, member: str) -> Record[Any] | None:
    """The last entry that puts a person on the trip or takes them off."""
    for entry in reversed(snapshot.entries):
        if isinstance(entry.body, MemberSet | MemberLeft) and entry.body.member == member:
            return Record(entry.body, entry.id, entry.actor, entry.device, entry.happened_at)
    return None
