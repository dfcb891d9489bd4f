"""The frozen picture of a call: everything it rested on, as plain JSON. Pure.

Numbers are kept to nine significant digits: more of them would differ between machines, not between mornings.
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Any

from api.call import rules
from api.call.signing import sha256
from api.call.watching import wire_state
from api.conditions.choice import issues_in_force
from api.journal.chain import moment
from api.journal.decisions import CallMade
from api.journal.fold import Record
from api.journal.trip import HoldPoint
from api.readiness.board import board
from api.readiness.evaluation import Evaluation
from api.readiness.schemas import CAUTION, Board

DIGITS = 9
EVALUATED = (
    "edition",
    "forecast",
    "conditions",
    "findings",
    "accepted",
    "ropes",
    "views",
    "tripwires",
    "turnaround",
)
"""The parts of a record that follow from journal, kit list and forecast, and can be made again."""


@dataclass(frozen=True, slots=True)
class Arrived:
    """A call with what the service added to it."""

    outfit: str
    call: Record[CallMade]
    seq: int
    hash: str
    differences: tuple[str, ...] = ()


def frozen(evaluation: Evaluation, arrived: Arrived, code: Mapping[str, str]) -> dict[str, Any]:
    """The record of a call.

    Parameters
    ----------
    evaluation
        The trip as the journal had it just after the call.
    arrived
        The call, its number and hash, and how knowledge differed.
    code
        Versions of the code that evaluated.
    """
    call = arrived.call
    return {
        "about": _about(evaluation, arrived),
        "caution": CAUTION,
        "names": {member: profile.name for member, profile in evaluation.picture.profiles.items()},
        "decision": call.body.model_dump(mode="json", exclude={"knew"}),
        "knew": call.body.knew.model_dump(mode="json"),
        "differences": list(arrived.differences),
        "journal": {"seq": arrived.seq, "head_hash": arrived.hash},
        "code": dict(code),
        **evaluated(evaluation, call),
    }


def _about(evaluation: Evaluation, arrived: Arrived) -> dict[str, Any]:
    call = arrived.call
    return {
        "outfit": arrived.outfit,
        "trip": evaluation.trip,
        "trip_name": evaluation.plan.name,
        "time_zone": evaluation.plan.place.time_zone,
        "call": str(call.entry),
        "hold_name": hold_name(evaluation, call.body.hold),
        "called_by": call.actor.model_dump(mode="json"),
        "called_at": moment(call.happened_at),
        "device": call.device,
    }


def hold_point(evaluation: Evaluation, hold: str) -> HoldPoint | None:
    """A hold point of the plan by its id."""
    return next((point for point in evaluation.plan.hold_points if point.id == hold), None)


def hold_name(evaluation: Evaluation, hold: str) -> str:
    """A hold point's name; its id when the plan does not have it any more."""
    found = hold_point(evaluation, hold)
    return found.name if found else hold


def evaluated(evaluation: Evaluation, call: Record[CallMade]) -> dict[str, Any]:
    """The parts of a record that can be made again from what it rested on."""
    shown = board(evaluation, now=call.happened_at)
    return {
        "edition": _edition(evaluation),
        "forecast": _forecast(evaluation),
        "conditions": {"version": evaluation.conditions.version},
        "findings": [plain(f.model_dump(mode="json")) for f in (*shown.findings, *shown.accepted)],
        "accepted": _accepted(shown),
        "ropes": [rope.model_dump(mode="json") for rope in evaluation.picture.rope_teams],
        "views": _views(evaluation, call),
        "tripwires": _tripwires(evaluation),
        "turnaround": _turnaround(evaluation, call.happened_at),
    }


def _edition(evaluation: Evaluation) -> dict[str, Any] | None:
    edition = evaluation.edition
    if edition is None:
        return None
    return {"id": edition.id, "title": edition.title, "sha256": sha256(edition.model_dump(mode="json"))}


def _forecast(evaluation: Evaluation) -> dict[str, Any] | None:
    issues = issues_in_force(evaluation.picture)
    if not issues:
        return None
    newest = issues[-1].body
    return {
        "sha256": newest.forecast,
        "provider": newest.provider,
        "label": newest.label,
        "issued_at": moment(newest.issued_at),
        "before": issues[-2].body.forecast if len(issues) > 1 else None,
    }


def _accepted(shown: Board) -> list[dict[str, Any]]:
    return [
        {
            "finding": f.id,
            "title": f.title,
            "by": f.life.accepted_by,
            "at": moment(f.life.accepted_at) if f.life.accepted_at else None,
            "reason": f.life.reason,
        }
        for f in shown.accepted
    ]


def _views(evaluation: Evaluation, call: Record[CallMade]) -> dict[str, Any]:
    """What was said before this call; the call itself is already the last one at its hold point."""
    picture = evaluation.picture
    before = [
        c.entry for c in picture.decided.calls if c.body.hold == call.body.hold and c.entry != call.entry
    ]
    since = before[-1] if before else None
    given = [v for v in picture.decided.views if v.body.hold == call.body.hold and v.body.after_call == since]
    told = [
        {"member": v.body.member, "view": v.body.view, "why": v.body.why, "at": moment(v.happened_at)}
        | {"by": v.actor.name}
        for v in given
    ]
    spoke = {v.body.member for v in given}
    return {"given": told, "missing": [member for member in rules.asked(picture) if member not in spoke]}


def _tripwires(evaluation: Evaluation) -> list[dict[str, Any]]:
    found = []
    for id_, record in evaluation.picture.decided.tripwires.items():
        wire = record.body.wire
        state = plain(asdict(wire_state(evaluation, wire))) if wire is not None else None
        body = plain(record.body.model_dump(mode="json", exclude={"kind"}))
        found.append({"id": id_, **body, "set_by": record.actor.name, "state": state})
    return found


def _turnaround(evaluation: Evaluation, at: datetime) -> Any:
    found = rules.turnaround(evaluation.plan, evaluation.picture, at)
    if found is None:
        return None
    told = plain(asdict(found))
    if not found.pace_set:
        # Records made before a pace could be set have no such members, and must come out the same.
        for name in ("plan_down_h", "margin_h", "pace_set"):
            del told[name]
    return told


def plain(value: Any) -> Any:
    """Plain JSON values: moments as texts in UTC, numbers to nine significant digits, NaN as null."""
    if isinstance(value, datetime):
        return moment(value)
    if isinstance(value, float):
        return float(f"{value:.{DIGITS}g}") if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {str(key): plain(inner) for key, inner in value.items()}
    if isinstance(value, Sequence) and not isinstance(value, str):
        return [plain(inner) for inner in value]
    return value


# -- comparing -----------------------------------------------------------------------------------------------


def compared(sealed: Mapping[str, Any], again: Mapping[str, Any]) -> tuple[str, ...]:
    """How a record made again differs from the one that was sealed, in words; empty: not at all."""
    told: list[str] = []
    for part in EVALUATED:
        if part == "findings":
            told += _compared_findings(sealed.get(part, []), again.get(part, []))
        elif sealed.get(part) != again.get(part):
            told += [f"{part}: {line}" for line in _compared_values(sealed.get(part), again.get(part))]
    return tuple(told)


def _compared_findings(
    sealed: Iterable[Mapping[str, Any]], again: Iterable[Mapping[str, Any]]
) -> Iterable[str]:
    was, now = ({f["id"]: f for f in found} for found in (sealed, again))
    for id_ in [*was, *(i for i in now if i not in was)]:
        if id_ not in now:
            yield f"findings: {id_} was there, now it is not: {was[id_]['title']}"
        elif id_ not in was:
            yield f"findings: {id_} is there, then it was not: {now[id_]['title']}"
        elif was[id_] != now[id_]:
            lines = list(_compared_values(was[id_], now[id_]))
            yield f"findings: {id_} differs in {'; '.join(lines[:6])}"


def _compared_values(was: Any, now: Any, where: str = "") -> Iterable[str]:
    if isinstance(was, dict) and isinstance(now, dict):
        for key in sorted({*was, *now}):
            if was.get(key) != now.get(key):
                yield from _compared_values(was.get(key), now.get(key), f"{where}.{key}" if where else key)
    elif isinstance(was, list) and isinstance(now, list) and len(was) == len(now):
        for i, (old, new) in enumerate(zip(was, now, strict=True)):
            if old != new:
                yield from _compared_values(old, new, f"{where}[{i}]")
    else:
        yield f"{where or 'it'} was {_short(was)}, now {_short(now)}"


def _short(value: Any) -> str:
    text = f"{len(value)} things" if isinstance(value, list | dict) else str(value)
    return text if len(text) <= 60 else f"{text[:57]}…"


def other_versions(sealed: Mapping[str, Any], here: Mapping[str, str]) -> tuple[str, ...]:
    """Which versions of the code differ from those that made a record."""
    was = sealed.get("code", {})
    return tuple(
        f"{name}: made with {was.get(name, 'none')}, here {here.get(name, 'none')}"
        for name in sorted({*was, *here})
        if was.get(name) != here.get(name)
    )
