"""The board as data, from an evaluated trip. Pure: the present moment is handed in."""

from collections.abc import Iterable, Sequence
from datetime import UTC, datetime, timedelta

import numpy as np

from api.conditions.choice import forecast_in_force
from api.conditions.stages import StageConditions
from api.journal.fold import Picture
from api.journal.kinds import PARTY
from api.journal.trip import HoldKind, TripPlan
from api.kitlist.schemas import Basis, Grade, Scope, Zone
from api.readiness.evaluation import Evaluation, evaluate
from api.readiness.findings import evidence_of, rank
from api.readiness.lacks import needed
from api.readiness.life import with_life
from api.readiness.schemas import (
    Board,
    Finding,
    FlagState,
    ForecastLine,
    GapKind,
    HoldLine,
    ItemRow,
    PersonLine,
    Reason,
    RopeLine,
    Standing,
    Tally,
    Verdict,
    WeatherHour,
)
from api.science import sun

__all__ = ["Evaluation", "board", "evaluate", "sheet", "tally", "verdict"]

STALE_AFTER = timedelta(hours=24)
"""A forecast older than this is worth a finding (common practice, no published source)."""
SHOWN_AHEAD = timedelta(hours=18)


def board(evaluation: Evaluation, *, now: datetime, demo: bool = False) -> Board:
    """The board of an evaluated trip as it reads at `now`."""
    picture, plan, edition = evaluation.picture, evaluation.plan, evaluation.edition
    alive = with_life(evaluation, (*evaluation.findings, *about_forecast(evaluation, now)), now)
    found = tuple(sorted(alive, key=rank))
    ropes = tuple(_rope_line(evaluation, found, rope) for rope in range(len(picture.rope_teams)))
    roped = {line.member for rope in ropes for line in rope.people}
    loose = sorted((m for m in picture.members if m not in roped), key=lambda m: picture.profiles[m].name)
    return Board(
        trip=evaluation.trip,
        name=plan.name,
        demo=demo,
        seq=evaluation.seq,
        edition=edition.id if edition else None,
        edition_title=f"{edition.title}, edition {edition.number}" if edition else None,
        forecast=forecast_line(evaluation, now),
        conditions_version=evaluation.conditions.version,
        as_of=now.astimezone(UTC),
        time_zone=plan.place.time_zone,
        holds=hold_lines(plan, picture),
        verdict=_party_verdict(evaluation, found),
        ropes=ropes,
        unroped=tuple(_person_line(evaluation, found, member) for member in loose),
        findings=tuple(f for f in found if f.life.state is not FlagState.ACCEPTED),
        accepted=tuple(f for f in found if f.life.state is FlagState.ACCEPTED),
        next_hours=next_hours(evaluation.conditions, plan, now),
        disagreements=tuple(_split_in_words(key) for key in picture.split),
    )


def tally(found: Iterable[Finding]) -> Tally:
    """Count findings; what is not known to be fine counts as unknown whatever its grade, and what a lead
    guide accepted counts apart."""
    counts = {"stop": 0, "fix": 0, "advise": 0, "unknown": 0, "accepted": 0}
    for finding in found:
        if finding.life.state is FlagState.ACCEPTED:
            counts["accepted"] += 1
        else:
            counts[finding.grade.value if finding.known_gap else "unknown"] += 1
    return Tally(**counts)


def verdict(subject: str, found: Sequence[Finding]) -> Verdict:
    """Where a subject stands, from its findings (already ranked). Accepted is not clear."""
    counts = tally(found)
    if counts.stop or counts.fix:
        worst = next(f for f in found if f.life.state is not FlagState.ACCEPTED)
        if worst.grade is Grade.STOP:
            return Verdict(
                subject=subject, standing=Standing.STOP, words=f"Stop: {worst.hold_name}", tally=counts
            )
        return Verdict(
            subject=subject, standing=Standing.FIX, words=f"Fix before {worst.hold_name}", tally=counts
        )
    if counts.unknown:
        return Verdict(subject=subject, standing=Standing.UNKNOWN, words="Not known yet", tally=counts)
    if counts.advise:
        return Verdict(subject=subject, standing=Standing.ADVISE, words="Advice only", tally=counts)
    if counts.accepted:
        gaps = "1 gap" if counts.accepted == 1 else f"{counts.accepted} gaps"
        return Verdict(
            subject=subject,
            standing=Standing.ACCEPTED,
            words=f"Nothing open, {gaps} accepted by name",
            tally=counts,
        )
    return Verdict(
        subject=subject, standing=Standing.CLEAR, words="Nothing known to be missing", tally=counts
    )


def _party_verdict(evaluation: Evaluation, found: Sequence[Finding]) -> Verdict:
    if evaluation.edition is None:
        return Verdict(
            subject=PARTY,
            standing=Standing.UNKNOWN,
            words=_no_edition(evaluation),
            tally=tally(found),
        )
    return verdict(PARTY, found)


def _no_edition(evaluation: Evaluation) -> str:
    if evaluation.edition_awaited:
        return f"Not known: the kit list edition {evaluation.plan.edition_id} is not here. Bring it in"
    return "Not known: the trip has no kit list edition yet"


def _rope_line(evaluation: Evaluation, found: Sequence[Finding], index: int) -> RopeLine:
    rope = evaluation.picture.rope_teams[index]
    mine = [f for f in found if f.subject == rope.id or f.subject in rope.members]
    return RopeLine(
        rope=rope.id,
        name=rope.name,
        people=tuple(_person_line(evaluation, found, member) for member in rope.members),
        verdict=_or_unknown(evaluation, verdict(rope.id, mine)),
    )


def _person_line(evaluation: Evaluation, found: Sequence[Finding], member: str) -> PersonLine:
    profile = evaluation.picture.profiles[member]
    mine = [f for f in found if f.subject == member]
    return PersonLine(
        member=member,
        name=profile.name,
        role=profile.role,
        verdict=_or_unknown(evaluation, verdict(member, mine)),
        about=profile.about,
    )


def _or_unknown(evaluation: Evaluation, given: Verdict) -> Verdict:
    """Without a kit list nothing is asked, so nothing is known: never shown as clear."""
    if evaluation.edition is None:
        return given.model_copy(update={"standing": Standing.UNKNOWN, "words": "Not known: no kit list yet"})
    return given


def hold_lines(plan: TripPlan, picture: Picture) -> tuple[HoldLine, ...]:
    """The hold points in order; the first that nobody has recorded as passed is the next."""
    ahead = next((h.id for h in plan.hold_points if h.id not in picture.holds_passed), None)
    return tuple(
        HoldLine(
            id=hold.id,
            kind=hold.kind,
            name=hold.name,
            at=hold.at,
            elevation_m=hold.elevation_m,
            passed_at=record.body.at if (record := picture.holds_passed.get(hold.id)) else None,
            next=hold.id == ahead,
        )
        for hold in plan.hold_points
    )


def forecast_line(evaluation: Evaluation, now: datetime) -> ForecastLine | None:
    """The forecast in force, with its age and whom to name for it."""
    newest = forecast_in_force(evaluation.picture)
    if newest is None:
        return None
    return ForecastLine(
        forecast=newest.body.forecast,
        provider=newest.body.provider,
        label=newest.body.label,
        issued_at=newest.body.issued_at,
        age_h=(now - newest.body.issued_at) / timedelta(hours=1),
        attribution=evaluation.conditions.attribution,
        licence=evaluation.conditions.licence,
    )


def next_hours(conditions: StageConditions, plan: TripPlan, now: datetime) -> tuple[WeatherHour, ...]:
    """What is forecast hour by hour where the party will be, from now on (or from the start of the trip)."""
    if len(conditions.steps_epoch_s) == 0:
        return ()
    first = max(now.timestamp(), float(conditions.steps_epoch_s[0]))
    until = first + SHOWN_AHEAD.total_seconds()
    hours: list[WeatherHour] = []
    for epoch in range(int(first // 3600) * 3600, int(until), 3600):
        step = int(np.searchsorted(conditions.steps_epoch_s, epoch, side="right")) - 1
        if step < 0 or epoch > conditions.steps_epoch_s[-1]:
            continue
        hours.append(_weather_hour(conditions, plan, step, epoch))
    return tuple(hours)


def _weather_hour(conditions: StageConditions, plan: TripPlan, step: int, epoch: int) -> WeatherHour:
    def at(metric: str) -> float | None:
        values = conditions.hourly.get(metric)
        value = float("nan") if values is None else float(values[conditions.base, step])
        return None if np.isnan(value) else value

    return WeatherHour(
        at=datetime.fromtimestamp(epoch, tz=UTC),
        stage=plan.stages[int(conditions.step_stage[step])].id,
        elevation_m=float(conditions.step_elevation_m[step]),
        moving=bool(conditions.step_moving[step]),
        freezing_level_m=at("freezing_level_m"),
        air_temperature_c=at("air_temperature_c"),
        wind_mps=at("wind_mps"),
        wind_chill_c=at("wind_chill_c"),
        precipitation_mm=at("precipitation_mm"),
        dark=_is_dark(epoch, plan),
    )


def _is_dark(epoch: int, plan: TripPlan) -> bool:
    """Whether it is neither day nor civil twilight."""
    place, moment = plan.place, np.datetime64(epoch, "s")
    return bool(sun.solar_elevation_deg(moment, place.latitude_deg, place.longitude_deg) < sun.CIVIL_DEG)


def about_forecast(evaluation: Evaluation, now: datetime) -> tuple[Finding, ...]:
    """A missing, stale or too short forecast is itself a finding."""
    plan, picture = evaluation.plan, evaluation.picture
    if not plan.stages or now >= plan.stages[-1].ends_at:
        return ()
    newest = forecast_in_force(picture)
    if newest is None:
        return (_forecast_finding(evaluation, "no forecast has been entered", now),)
    says: list[str] = []
    age = now - newest.body.issued_at
    if age > STALE_AFTER:
        says.append(f"issued {age / timedelta(hours=1):.0f} h ago")
    complete = evaluation.conditions.complete.get("freezing_level_m")
    if complete is not None:
        open_stages = [
            stage.name
            for stage, known in zip(plan.stages, complete[evaluation.conditions.base], strict=True)
            if not known and stage.ends_at > now
        ]
        if open_stages:
            says.append(f"does not cover {', '.join(open_stages)}")
    return (_forecast_finding(evaluation, "; ".join(says), now),) if says else ()


def _forecast_finding(evaluation: Evaluation, says: str, now: datetime) -> Finding:
    plan = evaluation.plan
    holds = hold_lines(plan, evaluation.picture)
    ahead = next((hold for hold in holds if hold.next), None)
    kind = ahead.kind if ahead else HoldKind.SUMMIT_START
    stage = next((s for s in plan.stages if s.ends_at > now), plan.stages[-1])
    return Finding(
        id=f"{PARTY}.forecast",
        subject=PARTY,
        subject_name="The party",
        scope=Scope.PARTY,
        requirement="forecast",
        item="Forecast",
        zone=Zone.PAPERS,
        kind=GapKind.UNKNOWN,
        grade=Grade.FIX,
        hold=kind,
        hold_name=ahead.name if ahead else stage.name,
        title=f"The party: Forecast – {says}",
        reasons=(Reason(kind=GapKind.UNKNOWN, says=says),),
        why="What the conditions ask cannot be worked out without a forecast for these hours.",
        first_stage=stage.id,
        first_stage_name=stage.name,
        first_at=max(now, stage.starts_at).astimezone(UTC),
        clears="A newer forecast that covers the rest of the trip, entered or received.",
        basis=Basis(kind="common-practice", source="common practice, no published source"),
        life_safety=False,
        conditions_known=False,
    )


def sheet(evaluation: Evaluation, subject: str) -> tuple[ItemRow, ...]:
    """Every requirement that concerns a subject, in check order, with what is known of it."""
    if evaluation.asks is None or evaluation.lacks is None or evaluation.edition is None:
        return ()
    p = next((i for i, s in enumerate(evaluation.lacks.subjects) if s.id == subject), None)
    if p is None:
        return ()
    zones = list(Zone)
    open_ids = {finding.id for finding in evaluation.findings}
    rows = []
    for r, requirement in enumerate(evaluation.edition.requirements):
        holding = evaluation.lacks.holdings.get((p, r))
        if holding is None:
            continue
        presence = evaluation.asks.checks_of_requirement(r)[0]
        finding_id = f"{subject}.{requirement.id}"
        missing = evaluation.lacks.gaps.get((p, presence)) is not None
        rows.append(
            ItemRow(
                requirement=requirement.id,
                item=requirement.item,
                zone=requirement.zone,
                asked=bool(evaluation.asks.asked[evaluation.asks.base, :, presence].any()),
                optional=requirement.optional,
                how_many=_how_many(needed(requirement.how_many, evaluation.lacks.subjects[p])),
                met=not missing and finding_id not in open_ids,
                evidence=tuple(evidence_of(requirement, record) for record in holding.records),
                finding=finding_id if finding_id in open_ids else None,
            )
        )
    return tuple(sorted(rows, key=lambda row: zones.index(row.zone)))


def _how_many(count: float) -> str:
    return "by the plan" if np.isnan(count) else f"{count:g}"


def _split_in_words(key: tuple[str, ...]) -> str:
    what = {
        "plan": "The plan was changed by two people who had not seen each other's change",
        "ropes": "The ropes were set by two people who had not seen each other's change",
        "member": "A person's record was changed twice without the other being seen",
        "night": "A night was told twice with neither being seen",
        "hold": "A hold point was recorded twice",
    }
    words = what.get(key[0], "Entries stand side by side")
    return f"{words}: {', '.join(key[1:])}" if len(key) > 1 else f"{words}. The later one stands."
