"""What a call has to settle, when to turn round, and whose view is still missing. Pure."""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from api.journal.decisions import CallMade
from api.journal.entry import Entry
from api.journal.fold import Picture
from api.journal.trip import HOLD_ORDER, HoldKind, HoldPoint, Role, Stage, TripPlan
from api.journal.views import last_call, may_see, views_now
from api.kitlist.schemas import Grade, Scope
from api.readiness.bodies import own_hours
from api.readiness.schemas import Finding, FlagState
from api.science.sun import sun_day

MARGIN = timedelta(hours=1)
"""Kept between the planned end of the way down and dark (common practice, no published source)."""


# -- hold points and what they ask ---------------------------------------------------------------------------


def hold_ahead(plan: TripPlan, picture: Picture) -> HoldPoint | None:
    """The first hold point that has not been passed."""
    return next((hold for hold in plan.hold_points if hold.id not in picture.holds_passed), None)


def blocks(finding: Finding, hold: HoldKind) -> bool:
    """Whether a finding is a stop at a hold point: a stop there or before, or a fix that was due by there."""
    due = [(finding.grade, finding.hold), *((other.grade, other.hold) for other in finding.also)]
    return any(grade is not Grade.ADVISE and HOLD_ORDER[at] <= HOLD_ORDER[hold] for grade, at in due)


def open_stops(found: Iterable[Finding], hold: HoldKind) -> tuple[Finding, ...]:
    """What must be fixed, left behind with its person, or accepted by name before a hold point is passed."""
    return tuple(f for f in found if f.life.state is not FlagState.ACCEPTED and blocks(f, hold))


def unsettled(stops: Iterable[Finding], staying: Collection[str], picture: Picture) -> tuple[Finding, ...]:
    """Open stops that a call would pass over, when these people stay behind."""
    behind = set(staying)
    ropes = {rope.id: set(rope.members) for rope in picture.rope_teams}
    return tuple(
        stop
        for stop in stops
        if not (stop.scope is Scope.PERSON and stop.subject in behind)
        and not (stop.scope is Scope.ROPE and ropes.get(stop.subject) and ropes[stop.subject] <= behind)
    )


# -- views ---------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class View:
    """One assistant's view at a hold point; `view` is None when it is missing or not to be seen yet."""

    member: str
    name: str
    given: bool
    view: str | None = None
    why: str = ""
    at: datetime | None = None
    by: str = ""


def asked(picture: Picture) -> tuple[str, ...]:
    """The guides whose view is asked: the assistants on the trip, by name."""
    profiles = picture.profiles
    found = [member for member, profile in profiles.items() if profile.role is Role.ASSISTANT]
    return tuple(sorted(found, key=lambda member: profiles[member].name))


def views(picture: Picture, hold: str, staff: str, role: str) -> tuple[View, ...]:
    """Every asked guide with their view since the last call, as one reader may see it."""
    given = {record.body.member: record for record in views_now(picture, hold)}
    open_to = may_see(picture, hold, last_call(picture, hold), staff, role)
    profiles = picture.profiles
    found = []
    for member in (*asked(picture), *(m for m in given if m not in asked(picture))):
        name = profiles[member].name if member in profiles else member
        record = given.get(member)
        if record is None:
            found.append(View(member, name, given=False))
        elif open_to or record.actor.id == staff:
            body = record.body
            at, by = record.happened_at, record.actor.name
            found.append(View(member, name, given=True, view=body.view, why=body.why, at=at, by=by))
        else:
            found.append(View(member, name, given=True))
    return tuple(found)


# -- turning round -------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Turnaround:
    """When to turn on a day, worked out backwards from dark by the plan's pace."""

    stage: str
    stage_name: str
    place: str
    """The highest place of the day: where turning round begins the way down."""
    planned_at: datetime
    dark_at: datetime | None
    """End of civil twilight on that day, UTC; None: the sun does not set so low."""
    down_h: float
    """Hours from there to the next night: as a lead guide set them, here or for a stage, else as planned."""
    latest_at: datetime | None
    """The latest moment to turn with that time in hand; None without dark."""
    at: datetime | None
    """What is in force: as set by a lead guide, else the latest."""
    is_set: bool
    plan_down_h: float = 0.0
    """Hours that the plan itself takes."""
    margin_h: float = MARGIN / timedelta(hours=1)
    """Hours kept in hand before dark."""
    pace_set: bool = False
    """Whether a lead guide set the hours down or in hand."""

    @property
    def spare(self) -> timedelta | None:
        """Time between the planned arrival and turning; negative: the plan is too late already."""
        return None if self.at is None else self.at - self.planned_at


def day_ahead(plan: TripPlan, after: datetime) -> tuple[Stage, ...]:
    """The stages from a moment on until the party sleeps again, looking for the day with the high point.

    When the high point is still ahead, the day that reaches it; else the next day.
    """
    days: list[list[Stage]] = [[]]
    for stage in plan.stages:
        days[-1].append(stage)
        if stage.night is not None:
            days.append([])
    ahead = [day for day in days if day and day[-1].ends_at > after]
    if not ahead:
        return ()
    return tuple(max(ahead, key=lambda day: max(stage.to_m for stage in day)))


def turnaround(plan: TripPlan, picture: Picture, after: datetime) -> Turnaround | None:
    """When to turn on the highest day ahead; None when nothing is ahead or it has no way down."""
    day = day_ahead(plan, after)
    if not day:
        return None
    top = max(range(len(day)), key=lambda i: day[i].to_m)
    down = day[top + 1 :]
    if not down:
        return None
    stage, place = day[top], plan.place
    planned = sum((s.ends_at - s.starts_at for s in down), timedelta(0))
    pace = picture.decided.paces.get(stage.id)
    own = own_hours(picture, plan)
    reckoned = sum((_span(s, own.get(s.id)) for s in down), timedelta(0))
    margin_h = pace.body.margin_h if pace else None
    margin = MARGIN if margin_h is None else timedelta(hours=margin_h)
    local_day = stage.ends_at.astimezone(place.zone).date()
    sets = sun_day(local_day, place.zone, place.latitude_deg, place.longitude_deg).civil.sets
    dark_at = sets[-1] if sets else None
    latest = None if dark_at is None else _whole_minute(dark_at - reckoned - margin)
    record = picture.decided.turnarounds.get(stage.id)
    if record and pace and (record.happened_at, record.entry) < (pace.happened_at, pace.entry):
        record = None  # whoever sets the pace afterwards wants it worked out again
    return Turnaround(
        stage=stage.id,
        stage_name=stage.name,
        place=stage.to_name,
        planned_at=stage.ends_at.astimezone(UTC),
        dark_at=dark_at,
        down_h=reckoned / timedelta(hours=1),
        latest_at=latest,
        at=record.body.at.astimezone(UTC) if record else latest,
        is_set=record is not None,
        plan_down_h=planned / timedelta(hours=1),
        margin_h=margin / timedelta(hours=1),
        pace_set=pace is not None,
    )


def _span(stage: Stage, own_h: float | None) -> timedelta:
    """How long a stage takes: a guide's own hours, else as planned."""
    return stage.ends_at - stage.starts_at if own_h is None else timedelta(hours=own_h)


def _whole_minute(at: datetime) -> datetime:
    return at.replace(second=0, microsecond=0)


# -- what one side knew and the other did not ----------------------------------------------------------------


def differences(
    call: CallMade,
    shown: Mapping[str, str],
    accepted: Collection[str],
    forecast: str | None,
    unread: Sequence[Entry],
    stops: Sequence[Finding],
    *,
    stays_ahead: bool = False,
) -> tuple[str, ...]:
    """How what the writer of a call knew differs from what the service knows, in words.

    Parameters
    ----------
    call
        The call with what its writer knew.
    shown
        Findings open on the service, id to title.
    accepted
        Findings accepted by name there.
    forecast
        Hash of the forecast in force on the service.
    unread
        Entries others had written that the writer had not read.
    stops
        Open stops that the call passed over.
    stays_ahead
        Whether the hold point is not taken as passed, because the caller knew of such a stop.
    """
    knew = set(call.knew.findings)
    told = [f"A stop was passed over: {stop.title}." for stop in stops]
    if stays_ahead:
        told.append("The caller knew of a stop that is not settled, so the hold point stays ahead here.")
    if forecast != call.knew.forecast:
        told.append(_other_forecast(call.knew.forecast, forecast))
    told += [f"Not known to the caller: {title}." for id_, title in shown.items() if id_ not in knew]
    told += [
        f"Open for the caller, not open here: {id_}." for id_ in sorted(knew - set(shown) - set(accepted))
    ]
    by_writer: dict[str, int] = {}
    for entry in unread:
        by_writer[entry.actor.name] = by_writer.get(entry.actor.name, 0) + 1
    for name, how_many in by_writer.items():
        told.append(f"{how_many} {'entry' if how_many == 1 else 'entries'} by {name} had not been read.")
    return tuple(text[:600] for text in told[:400])


def _other_forecast(caller: str | None, here: str | None) -> str:
    if caller is None:
        return "The call was made without a forecast; here one is in force."
    if here is None:
        return "The call rests on a forecast; here none is in force."
    return "The call rests on another forecast than the one in force here."
