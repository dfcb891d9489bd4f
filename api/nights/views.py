"""Nights as values for pages and JSON, extra nights in words, and all that is kept of one person."""

from collections import defaultdict
from collections.abc import Iterator, Mapping

from sqlalchemy import Connection

from api.access.current import Reader
from api.access.permissions import require_role
from api.db import Work
from api.errors import NotFound, Refused
from api.journal.entry import Actor
from api.journal.fold import Picture
from api.journal.service import actor_of
from api.journal.trip import TripPlan
from api.nights import queries
from api.nights.extra import ExtraNight, Where, extra_nights
from api.nights.rules import Assessment, SleptNight, assess, ladder
from api.nights.schemas import (
    CONSENT,
    AccessLine,
    HistoryTold,
    NightShown,
    NoteShown,
    PersonExport,
    PersonNights,
    TripNights,
)
from api.nights.service import Health, agreed
from api.nights.state import heights_in_words
from api.nights.symptoms import standing
from api.science.ascent import History, RiskAssessment

CRITERIA = {
    "history": "earlier trouble at altitude",
    "first sleeping height": "height of the first night",
    "ascent rate": "rate of ascent",
}


def trip_nights(plan: TripPlan, picture: Picture, trip: str, seq: int) -> TripNights:
    """Everyone's nights against the guideline, with what would help. Nothing of it is from sealed notes."""
    found = {member: assess(ladder(plan, picture, member)) for member in picture.members}
    return TripNights(
        trip=trip,
        seq=seq,
        people=tuple(person_nights(picture, member, found[member]) for member in sorted(found)),
        extra_nights=tuple(extra_in_words(plan, picture, found)),
    )


def person_nights(picture: Picture, member: str, found: Assessment) -> PersonNights:
    """One person's nights as readers get them."""
    consent = picture.consents.get((member, CONSENT))
    mark = standing(picture, member).mark
    words = heights_in_words(found)
    return PersonNights(
        member=member,
        name=picture.profiles[member].name,
        nights=shown_nights(found),
        state=found.state.value,
        words=f"{words}; private note" if mark else words,
        consent=consent.body.given if consent else None,
        private_note=mark,
    )


def shown_nights(found: Assessment) -> tuple[NightShown, ...]:
    """The nights of an assessment as readers get them."""
    gains = {gain.night: gain for gain in found.gains}
    return tuple(
        NightShown(
            on=night.on,
            elevation_m=night.elevation_m,
            how=night.how.value,
            place=night.place,
            gain_m=gains[i].gain_m if i in gains else None,
            above_limit=gains[i].above_limit if i in gains else None,
        )
        for i, night in enumerate(found.nights)
    )


# -- extra nights


def extra_in_words(plan: TripPlan, picture: Picture, found: Mapping[str, Assessment]) -> Iterator[str]:
    """Where extra nights bring the plan within the guideline, for whom: one line a way, cheapest first."""
    ways: defaultdict[tuple[str, ...], list[str]] = defaultdict(list)
    for member in sorted(found):
        ways[_ways(plan, found[member])].append(picture.profiles[member].name)
    for lines, names in sorted(ways.items(), key=lambda way: (-len(way[1]), way[1])):
        who = "Everyone" if len(names) == len(found) else ", ".join(names)
        for line in lines:
            yield f"{who}: {line}"


def _ways(plan: TripPlan, found: Assessment) -> tuple[str, ...]:
    nights = found.nights
    known_from = max((i + 1 for i, night in enumerate(nights) if night.elevation_m is None), default=0)
    if found.not_known or known_from >= len(nights):
        return ("cannot be worked out while nights are not known",)
    heights = [night.elevation_m or 0.0 for night in nights[known_from:]]
    fixed = max(1, sum(night.told for night in nights[known_from:]))
    proposals = extra_nights(heights, min(fixed, len(heights)), _stops(plan, nights, known_from))
    if not proposals:
        return ("no number of extra nights helps; another way is needed",)
    if not proposals[0].nights:
        return ("the plan ahead keeps to the guideline as it is",)
    count = len(proposals[0].nights)
    head = "one extra night" if count == 1 else f"{count} extra nights"
    return tuple(
        f"{head}: {'; '.join(_extra(night, nights[known_from + night.after]) for night in proposal.nights)}"
        for proposal in proposals
    )


def _extra(extra: ExtraNight, after: SleptNight) -> str:
    day = f"{after.on.day} {after.on:%B}"
    if extra.where is Where.AGAIN:
        place = after.place or f"{extra.low_m:,.0f} m"
        return f"one more at {place} after the night of {day}"
    if extra.place is not None:
        return f"one at {extra.place}, {extra.at_m:,.0f} m, after the night of {day}"
    return f"one between {extra.low_m:,.0f} and {extra.high_m:,.0f} m after the night of {day}"


def _stops(
    plan: TripPlan, nights: tuple[SleptNight, ...], known_from: int
) -> dict[int, list[tuple[str, float]]]:
    """Where a stage ends without a night, by the night it comes after."""
    zone = plan.place.zone
    places = {night.on: i - known_from for i, night in enumerate(nights)}
    stops: defaultdict[int, list[tuple[str, float]]] = defaultdict(list)
    for stage in plan.stages:
        day = stage.ends_at.astimezone(zone).date()
        if stage.night is None and day in places:
            stops[places[day] - 1].append((stage.to_name, stage.to_m))
    return dict(stops)


# -- risk


def history_of(notes: tuple[NoteShown, ...]) -> History | None:
    """The worst a person told, by the note that stands; None if it is not known."""
    told = [n.content for n in notes if isinstance(n.content, HistoryTold) and n.corrected_by is None]
    return told[-1].worst if told else None


def risk_in_words(risk: RiskAssessment) -> str:
    """The category, and which criterion decided it; what is not settled is said."""
    decided = " and ".join(CRITERIA[name] for name in risk.decided_by)
    unsettled = " and ".join(CRITERIA[name] for name in risk.unknown)
    if risk.category is not None:
        words = f"{risk.category.name.lower()} risk by the table, by {decided}"
    elif risk.at_least is not None:
        words = (
            f"at least {risk.at_least.name.lower()} risk by the table, by {decided}; {unsettled} not settled"
        )
    else:
        words = f"risk not known: {unsettled} not settled"
    if risk.fits_table is False:
        words += "; the table is meant for people who start below 1,200 m"
    return words


# -- one person


def export_own(work: Work, health: Health, outfit: str, trip: str, member: str) -> PersonExport:
    """Everything kept about a person, for their own link."""
    picture = health.journal.picture(work, outfit, trip).picture
    return _export(
        work, health, outfit, trip, member, Actor(id=member, name=_name(picture, member), role="climber")
    )


def export_for(work: Work, health: Health, reader: Reader, trip: str, member: str) -> PersonExport:
    """The same, taken out by the lead guide to hand it to the person. Raises Refused for others."""
    require_role(reader, "health.read")
    if reader.role != "lead":
        raise Refused(
            "Everything kept about a person is taken out by the lead guide, or by the person themselves."
        )
    return _export(work, health, reader.outfit, trip, member, actor_of(reader))


def _export(work: Work, health: Health, outfit: str, trip: str, member: str, actor: Actor) -> PersonExport:
    picture = health.journal.picture(work, outfit, trip).picture
    name, plan = _name(picture, member), picture.trip
    notes = health.shown_all(work, outfit, trip, member)
    health.log_deed(work, trip, actor, "exported", member, len(notes))
    consent = picture.consents.get((member, CONSENT))
    return PersonExport(
        trip=trip,
        member=member,
        name=name,
        consent={
            "agreed": "yes" if agreed(picture, member) else "no",
            "text_version": consent.body.text_version,
            "at": consent.happened_at.isoformat(),
        }
        if consent
        else None,
        nights=shown_nights(assess(ladder(plan, picture, member))) if plan else (),
        notes=notes,
        read_by=tuple(AccessLine(**row._asdict()) for row in queries.logged(work, trip, member)),
    )


def access_lines(
    conn: Connection, health: Health, trip: str, member: str | None = None
) -> tuple[AccessLine, ...]:
    """Who read whose notes, the last first."""
    return tuple(AccessLine(**row._asdict()) for row in health.readers(conn, trip, member))


def _name(picture: Picture, member: str) -> str:
    profile = picture.profiles.get(member)
    if profile is None:
        raise NotFound(f"Nobody called {member} is on this trip. Choose the person on the nights page.")
    return profile.name
