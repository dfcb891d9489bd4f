"""Two people change the same thing: what goes together, and what must be put before them. Pure.

A value is taken apart into parts. A part that only one of the two changed is taken from that one; a part that
both changed, and not to the same, is a clash. Nothing is ever overwritten unseen.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from pydantic import BaseModel

from api.journal.trip import MemberProfile, Place, RopeTeam, TripPlan
from api.roster.rules import holds_in_order, in_order

Part = tuple[str, ...]
Parts = Mapping[Part, Any]


class _Absent:
    """Stands for a part that is not there; None may be a value."""

    def __repr__(self) -> str:
        return "ABSENT"


ABSENT = _Absent()


@dataclass(frozen=True, slots=True)
class Difference:
    """One field that two people set differently. A side is None where it has nothing there."""

    field: str
    before: Any
    yours: Any
    theirs: Any


@dataclass(frozen=True, slots=True)
class Merged:
    """What three states come to."""

    parts: dict[Part, Any]
    clashes: tuple[Part, ...]
    also_changed: tuple[Part, ...]
    """Parts that the others changed and that were kept as they have them."""

    @property
    def also_paths(self) -> tuple[str, ...]:
        return tuple(".".join(part) for part in self.also_changed)


def merge(base: Parts, yours: Parts, theirs: Parts) -> Merged:
    """Put your changes to ``base`` on top of theirs; of a clash, ``parts`` keeps theirs."""
    parts: dict[Part, Any] = {}
    clashes: list[Part] = []
    also_changed: list[Part] = []
    for key in dict.fromkeys((*theirs, *yours, *base)):
        old, mine, other = (side.get(key, ABSENT) for side in (base, yours, theirs))
        value = other
        if mine in (other, old):
            if other != old and mine == old:
                also_changed.append(key)
        elif other == old:
            value = mine
        else:
            clashes.append(key)
        if value is not ABSENT:
            parts[key] = value
    return Merged(parts, tuple(clashes), tuple(also_changed))


def differences(keys: Iterable[Part], base: Parts, yours: Parts, theirs: Parts) -> tuple[Difference, ...]:
    """The fields in which your and their state of some parts differ, with what they were."""
    found: list[Difference] = []
    for key in keys:
        old, mine, other = (_fields(key, side.get(key, ABSENT)) for side in (base, yours, theirs))
        for field in dict.fromkeys((*mine, *other)):
            if mine.get(field) != other.get(field):
                found.append(Difference(field, old.get(field), mine.get(field), other.get(field)))
    return tuple(found)


def _fields(key: Part, value: Any) -> dict[str, Any]:
    path = ".".join(key)
    if value is ABSENT:
        return {}
    if not isinstance(value, BaseModel):
        return {path: value}
    return {f"{path}.{name}": getattr(value, name) for name in type(value).model_fields if name != "id"}


# -- plans

_WHOLE = ("place", "stages", "hold_points", "lines")


def plan_parts(plan: TripPlan | None) -> dict[Part, Any]:
    """A plan as parts: each stage and hold point is one, each field of the place, each line of its own."""
    if plan is None:
        return {}
    parts: dict[Part, Any] = {
        (name,): getattr(plan, name) for name in TripPlan.model_fields if name not in _WHOLE
    }
    parts |= {("place", name): getattr(plan.place, name) for name in Place.model_fields}
    parts |= {("stages", stage.id): stage for stage in plan.stages}
    parts |= {("hold_points", hold.id): hold for hold in plan.hold_points}
    parts |= {("lines", line): value for line, value in plan.lines.items()}
    return parts


def plan_of(parts: Parts) -> TripPlan:
    """The plan that parts make up. Raises pydantic's ValidationError when they do not go together."""
    flat = {key[0]: value for key, value in parts.items() if len(key) == 1}
    under: dict[str, dict[str, Any]] = {name: {} for name in _WHOLE}
    for key, value in parts.items():
        if len(key) == 2:
            under[key[0]][key[1]] = value
    return TripPlan.model_validate(
        {
            **flat,
            "place": under["place"],
            "lines": under["lines"],
            "stages": in_order(under["stages"].values()),
            "hold_points": holds_in_order(under["hold_points"].values()),
        }
    )


# -- people and ropes


def profile_parts(profile: MemberProfile | None) -> dict[Part, Any]:
    """A person as parts: each field is one, each size of its own."""
    if profile is None:
        return {}
    parts: dict[Part, Any] = {
        (name,): getattr(profile, name) for name in MemberProfile.model_fields if name != "sizes"
    }
    return parts | {("sizes", what): size for what, size in profile.sizes.items()}


def profile_of(parts: Parts) -> MemberProfile:
    """The person that parts make up."""
    flat = {key[0]: value for key, value in parts.items() if len(key) == 1}
    sizes = {key[1]: value for key, value in parts.items() if len(key) == 2}
    return MemberProfile.model_validate({**flat, "sizes": sizes})


def rope_parts(ropes: Sequence[RopeTeam]) -> dict[Part, Any]:
    """Ropes as parts: each rope, its name and order together, is one."""
    return {("ropes", rope.id): rope for rope in ropes}


def ropes_of(parts: Parts) -> tuple[RopeTeam, ...]:
    """The ropes that parts make up, in their order."""
    return tuple(parts.values())
