"""Rope teams by name and place in rope order. Pure."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence

from api.journal.trip import RopeTeam
from api.roster.columns import simplified
from api.roster.proposals import RowResult

LARGEST_PLACE = 50

NewId = Callable[[], str]


def like_rope(name: str) -> str:
    """A rope's name for comparing: ``"rope 1"``, ``"1"`` and ``"R1"`` are the same rope."""
    plain = simplified(name)
    for prefix in ("rope team ", "rope ", "team "):
        plain = plain.removeprefix(prefix)
    if plain.startswith("r") and plain[1:].isdigit():
        plain = plain[1:]
    return plain or name.strip()


def where(member: str, ropes: Sequence[RopeTeam]) -> str:
    """In words: on which rope, and where in its order. Empty when on none."""
    for rope in ropes:
        if member in rope.members:
            return f"{rope.name}, place {rope.members.index(member) + 1}"
    return ""


def ropes_after(
    results: Iterable[RowResult], ropes: Sequence[RopeTeam], new_rope_id: NewId
) -> tuple[RopeTeam, ...]:
    """The rope teams once every good row of a file has put its person in place.

    Who has no place in the file keeps the one held on that rope now, else stands behind the others. Ropes
    keep their order; new ones follow.
    """
    teams: dict[str, RopeTeam] = {}
    now: dict[str, tuple[str, int]] = {}
    for rope in ropes:
        key = like_rope(rope.name)
        key = key if key not in teams else rope.id
        teams[key] = rope
        now |= {member: (key, place) for place, member in enumerate(rope.members, start=1)}
    wanted: dict[str, tuple[str, int | None]] = {}
    for result in results:
        if result.member is None or result.rope is None:
            continue
        key = _key_of(result.rope, teams)
        if key not in teams:
            shown = f"Rope {result.rope}" if result.rope.isdigit() else result.rope
            teams[key] = RopeTeam(id=new_rope_id(), name=shown, members=())
        wanted[result.member] = (key, result.place)
    members = {key: [m for m in rope.members if m not in wanted] for key, rope in teams.items()}
    for member, (key, _) in wanted.items():
        members[key].append(member)
    for key, on_rope in members.items():
        on_rope.sort(key=lambda member: _place(member, key, wanted, now))
    return tuple(rope.model_copy(update={"members": tuple(members[key])}) for key, rope in teams.items())


def _key_of(written: str, teams: Mapping[str, RopeTeam]) -> str:
    exact = next((key for key, rope in teams.items() if rope.name == written), None)
    return exact or like_rope(written)


def _place(
    member: str, rope: str, wanted: Mapping[str, tuple[str, int | None]], now: Mapping[str, tuple[str, int]]
) -> tuple[int, int]:
    asked = wanted[member][1] if member in wanted else None
    if asked is not None:
        return asked, 0
    here, place = now.get(member, ("", 0))
    return (place, 1) if here == rope else (LARGEST_PLACE + 1, 0)


def moved(ropes: Sequence[RopeTeam], member: str, by: int) -> tuple[RopeTeam, ...]:
    """``member`` moved by so many places in the order of the rope; at the end of a rope nothing changes."""
    result = []
    for rope in ropes:
        people = list(rope.members)
        if member in people:
            old = people.index(member)
            new = min(max(old + by, 0), len(people) - 1)
            people.insert(new, people.pop(old))
        result.append(rope.model_copy(update={"members": tuple(people)}))
    return tuple(result)


def put_on(ropes: Sequence[RopeTeam], member: str, rope_id: str | None) -> tuple[RopeTeam, ...]:
    """``member`` last on the rope named; None takes the person off every rope."""
    result = []
    for rope in ropes:
        people = rope.members
        if rope.id == rope_id:
            people = people if member in people else (*people, member)
        else:
            people = tuple(other for other in people if other != member)
        result.append(rope.model_copy(update={"members": people}))
    return tuple(result)
