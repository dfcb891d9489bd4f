"""Ropes and party: how they are made up, the permit's rules, who carries what, and if some stay behind."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import RedirectResponse, Response
from pydantic import ValidationError
from sqlalchemy import Connection

from api.access.current import CurrentReader, Reader
from api.access.permissions import may, permit
from api.access.typed import slug_of
from api.db import Reading, Writing
from api.errors import Conflict, Invalid, from_validation
from api.journal.party import PartyRule
from api.journal.trip import Terrain
from api.readiness import party, queries
from api.readiness.evaluation import Evaluation
from api.readiness.party import Share
from api.readiness.queries import RuleRow
from api.readiness.ropes import SPACING_M, rope_length_m
from api.readiness.schemas import GapKind
from api.readiness.service import Evaluations, Readiness
from api.readiness.staying import stay_behind
from web import words
from web.pages.board_view import BoardView
from web.pages.roster_forms import Form, Sent
from web.rendering import forms_errors, page, shell_of

router = APIRouter(include_in_schema=False)

LIMITS = ("max_clients_per_guide", "least_on_rope", "max_party", "min_guides")


@router.get("/trips/{trip}/ropes-check", dependencies=[permit("trip.read")])
def ropes_page(
    request: Request, trip: str, conn: Reading, reader: CurrentReader, readiness: Evaluations
) -> Response:
    """How ropes and party are made up, against the rules the trip goes by."""
    return _ropes(request, conn, readiness, reader, trip)


@router.post("/trips/{trip}/ropes-check/rules", dependencies=[permit("trip.plan")])
def take_rules(
    request: Request, trip: str, sent: Sent, work: Writing, reader: CurrentReader, readiness: Evaluations
) -> Response:
    """Let the trip go by the outfit's rules as they are now."""
    try:
        party.take_rules(work, readiness, reader, trip, sent.text("activity") or None)
    except Conflict as problem:
        return _ropes(request, work, readiness, reader, trip, problem)
    return RedirectResponse(f"/trips/{trip}/ropes-check?saved=1", status_code=303)


@router.get("/trips/{trip}/if-they-stay", dependencies=[permit("trip.read")])
def stay_page(
    request: Request, trip: str, conn: Reading, reader: CurrentReader, readiness: Evaluations
) -> Response:
    """What would be, were the people ticked to stay behind or go down."""
    evaluation = readiness.evaluation(conn, reader.outfit, trip)
    people, teams = evaluation.picture.profiles, evaluation.picture.rope_teams
    chosen = {m: request.query_params.get(f"who-{m}", "on") for m in people}
    moves = {
        m: rope
        for m in people
        if (rope := request.query_params.get(f"rope-{m}", "")) in {team.id for team in teams}
    }
    staying = [m for m, does in chosen.items() if does == "stay"]
    down = [m for m, does in chosen.items() if does == "down"]
    result = None
    if staying or down:
        result = stay_behind(evaluation, staying, down=down, moves=moves, now=readiness.clock.now())
    return _page(
        request,
        conn,
        readiness,
        reader,
        trip,
        "ropes/stay.html",
        people=people,
        teams=teams,
        rope_of={m: team.id for team in teams for m in team.members},
        chosen=chosen,
        moves=moves,
        result=result,
        going=BoardView(result.on) if result and result.on else None,
    )


# -- who carries what


@router.get("/trips/{trip}/group-gear", dependencies=[permit("trip.read")])
def gear_page(
    request: Request, trip: str, conn: Reading, reader: CurrentReader, readiness: Evaluations
) -> Response:
    """Who carries which group gear; with `propose`, a balanced proposal to be looked through and saved."""
    return _gear(request, conn, readiness, reader, trip, proposed="propose" in request.query_params)


@router.post("/trips/{trip}/group-gear", dependencies=[permit("gear.lend")])
def save_gear(
    request: Request, trip: str, sent: Sent, work: Writing, reader: CurrentReader, readiness: Evaluations
) -> Response:
    """Write who carries what, as chosen."""
    shares = []
    for unit in party.units(readiness.evaluation(work, reader.outfit, trip)):
        name = f"{unit.subject}.{unit.requirement}.{unit.unit}"
        if name in sent.names():
            carrier = sent.text(name) or None
            shares.append(
                Share(subject=unit.subject, requirement=unit.requirement, unit=unit.unit, carrier=carrier)
            )
    try:
        party.share(work, readiness, reader, trip, shares)
    except Invalid as problem:
        return _gear(request, work, readiness, reader, trip, proposed=False, problem=problem)
    return RedirectResponse(f"/trips/{trip}/group-gear?saved=1", status_code=303)


# -- the outfit's rules


@router.get("/party-rules", dependencies=[permit("outfit.rules")])
def rules_page(request: Request, conn: Reading, reader: CurrentReader, change: str = "") -> Response:
    """The ratio and party rules an outfit took from its permits; with `change`, one of them to be changed."""
    return _rules(request, conn, reader, change=change)


@router.post("/party-rules", dependencies=[permit("outfit.rules")])
def enter_rule(
    request: Request, sent: Sent, work: Writing, reader: CurrentReader, readiness: Evaluations
) -> Response:
    """Enter a rule, or put it in the place of the one that is being changed."""
    replaces = sent.text("replaces")
    taken = frozenset(row.id for row in queries.party_rules(work, reader.outfit))
    try:
        rule = _rule(sent, taken)
        with work.begin_nested():
            if replaces:
                party.change_rule(work, reader, readiness.clock, replaces, rule)
            else:
                party.enter_rule(work, reader, readiness.clock, rule)
    except (Invalid, Conflict) as problem:
        return _rules(request, work, reader, problem, sent, change=replaces)
    return RedirectResponse("/party-rules?saved=1", status_code=303)


@router.post("/party-rules/{rule}/end", dependencies=[permit("outfit.rules")])
def end_rule(rule: str, work: Writing, reader: CurrentReader, readiness: Evaluations) -> Response:
    """Take a rule out of use."""
    party.end_rule(work, reader, readiness.clock, rule)
    return RedirectResponse("/party-rules?saved=1", status_code=303)


def _rule(sent: Form, taken: frozenset[str]) -> PartyRule:
    typed: dict[str, Any] = {
        name: sent.text(name) or None
        for name in (
            "id",
            "title",
            "terrain",
            "season_from",
            "season_until",
            "activity",
            "source",
            "effective_from",
            "effective_until",
            *LIMITS,
        )
    }
    typed["id"] = typed["id"] or slug_of(sent.text("title"), taken)
    typed["clients_need_guide"] = sent.ticked("clients_need_guide")
    try:
        return PartyRule.model_validate(typed)
    except ValidationError as error:
        raise from_validation(error.errors()) from error


def _as_typed(old: RuleRow | None) -> dict[str, Any]:
    """A rule as the form shows it, to be changed; it gets a short name of its own."""
    if old is None:
        return {}
    rule = {name: value for name, value in old.rule.items() if value is not None and name != "id"}
    return rule | {"clients_need_guide": "yes" if rule.get("clients_need_guide") else ""}


# -- showing


def _ropes(
    request: Request,
    conn: Connection,
    readiness: Readiness,
    reader: Reader,
    trip: str,
    problem: Conflict | None = None,
) -> Response:
    evaluation = readiness.evaluation(conn, reader.outfit, trip)
    record = evaluation.picture.party_rules
    return _page(
        request,
        conn,
        readiness,
        reader,
        trip,
        "ropes/check.html",
        problem,
        ropes=_rope_facts(evaluation),
        rules=record.body.rules if record else (),
        taken=record,
        kind_rule=GapKind.RULE,
    )


def _rope_facts(evaluation: Evaluation) -> list[dict[str, Any]]:
    """Numbers to show beside each rope; facts, not rules."""
    profiles = evaluation.picture.profiles
    facts = []
    for team in evaluation.picture.rope_teams:
        guides = sum(profiles[m].role.guides for m in team.members)
        facts.append(
            {
                "id": team.id,
                "name": team.name,
                "people": [profiles[m].name for m in team.members],
                "guides": guides,
                "clients": len(team.members) - guides,
                "length_m": rope_length_m(evaluation.picture, team.id),
                "spacing_m": SPACING_M.get(len(team.members)),
            }
        )
    return facts


def _gear(
    request: Request,
    conn: Connection,
    readiness: Readiness,
    reader: Reader,
    trip: str,
    *,
    proposed: bool,
    problem: Invalid | None = None,
) -> Response:
    evaluation = readiness.evaluation(conn, reader.outfit, trip)
    shared = party.units(evaluation)
    if proposed:
        made = party.propose(evaluation).carriers
        shared = tuple(
            unit.model_copy(update={"carrier": made.get((unit.subject, unit.requirement, unit.unit))})
            for unit in shared
        )
    return _page(
        request,
        conn,
        readiness,
        reader,
        trip,
        "ropes/gear.html",
        problem,
        units=shared,
        packs=party.packs(evaluation, shared),
        people=evaluation.picture.profiles,
        proposed=proposed,
    )


def _rules(
    request: Request,
    conn: Connection,
    reader: Reader,
    problem: Invalid | Conflict | None = None,
    sent: Form | None = None,
    *,
    change: str = "",
) -> Response:
    rows = queries.party_rules(conn, reader.outfit)
    body = problem.body() if problem else None
    old = next((row for row in rows if row.id == change and row.ended_at is None), None)
    return page(
        request,
        "ropes/rules.html",
        status_code=problem.status if problem else 200,
        headers={"Cache-Control": "no-store"},
        rows=[(row, PartyRule.model_validate(row.rule)) for row in rows],
        typed=sent.typed() if sent else _as_typed(old),
        old=old,
        terrains=[("", "anywhere"), *((t.value, words.TERRAINS[t]) for t in Terrain)],
        problem=body,
        errors=forms_errors(body),
        saved=request.query_params.get("saved", ""),
    )


def _page(
    request: Request,
    conn: Connection,
    readiness: Readiness,
    reader: Reader,
    trip: str,
    template: str,
    problem: Invalid | Conflict | None = None,
    **context: Any,
) -> Response:
    board = readiness.board(conn, reader.outfit, trip)
    shell, view = shell_of(request), BoardView(board)
    body = problem.body() if problem else None
    return page(
        request,
        template,
        status_code=problem.status if problem else 200,
        headers={"Cache-Control": "no-store"},
        shell=shell,
        board=board,
        view=view,
        say=view.say(shell.units),
        may=lambda action: may(reader, action),
        problem=body,
        errors=forms_errors(body),
        saved=request.query_params.get("saved", ""),
        **context,
    )
