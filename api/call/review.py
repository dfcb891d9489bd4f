"""What a lead guide walks down before a call, as data. Pure, but for the forecasts that are handed in."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from api.call import rules
from api.call.rules import Turnaround, View
from api.call.watching import Watch, WireState, in_words, watch, wire_state
from api.conditions.forecast import Forecast
from api.journal.decisions import TripwireSet
from api.journal.trip import HoldPoint, Stage
from api.kitlist.schemas import NIGHT_LINES
from api.nights.state import SHORT_WORDS, Word
from api.readiness.evaluation import Evaluation
from api.readiness.party import units
from api.readiness.schemas import Board, Finding, GapKind
from api.readiness.tipping import Axis, TippingPoint, tipping_points

MOST_TIPPING = 4


@dataclass(frozen=True, slots=True)
class RopeReview:
    """One rope, as it stands at the hold point ahead."""

    id: str
    name: str
    people: tuple[str, ...]
    guides: int
    clients: int
    stops: tuple[Finding, ...]
    """What stops it at the hold point ahead, its people's and its own."""
    later: tuple[Finding, ...]
    """What becomes a stop further on."""
    unknown: int
    accepted: int


@dataclass(frozen=True, slots=True)
class WatchedWire:
    """A tripwire with how it stands."""

    id: str
    body: TripwireSet
    set_by: str
    state: WireState | None
    now: str
    seen_by: str | None
    """Who saw it crossed."""


@dataclass(frozen=True, slots=True)
class Review:
    """Everything on the page of the call."""

    hold: HoldPoint | None
    here: Stage | None
    """The stage under way, or the next to begin."""
    last_passed: HoldPoint | None
    ropes: tuple[RopeReview, ...]
    party_stops: tuple[Finding, ...]
    """Of the party, and of people on no rope."""
    stops: tuple[Finding, ...]
    """All open stops at the hold point ahead."""
    made_up: tuple[Finding, ...]
    """What is amiss with ratios and group gear."""
    unplaced: tuple[str, ...]
    """Group gear of which nobody has said who carries it."""
    acclimatisation: tuple[tuple[str, tuple[str, ...]], ...]
    """What is noted against the guideline, with the names of those it is said of."""
    stands: tuple[tuple[str, tuple[str, ...] | str], ...]
    """Where people stand by the guideline, in words, the worst first, and who; how many, where the reader is
    not to have names."""
    turnaround: Turnaround | None
    views: tuple[View, ...]
    tripwires: tuple[WatchedWire, ...]
    watch: Watch | None

    def to_be_kept(self) -> "Review":
        """The same for keeping where others may find it: nobody's view, nothing about nights and notes.

        `board` must have been without them when the review was made.
        """
        watch = self.watch
        if watch is not None:
            given = tuple(g for g in watch.given if g.about.rpartition(".")[2] not in NIGHT_LINES)
            watch = replace(watch, given=given)
        return replace(self, watch=watch, views=(), stands=(), acclimatisation=())

    @property
    def missing(self) -> tuple[str, ...]:
        """Names of those whose view is missing."""
        return tuple(view.name for view in self.views if not view.given)


def review(evaluation: Evaluation, board: Board, now: datetime, staff: str, role: str) -> Review:
    """The page of the call as one reader may see it at `now`. `board` is of the same evaluation."""
    plan, picture = evaluation.plan, evaluation.picture
    hold = rules.hold_ahead(plan, picture)
    stops = rules.open_stops(board.findings, hold.kind) if hold else ()
    passed = [point for point in plan.hold_points if point.id in picture.holds_passed]
    ropes = tuple(_rope(board, index, stops) for index in range(len(board.ropes)))
    roped = {id_ for rope in board.ropes for id_ in (rope.rope, *(line.member for line in rope.people))}
    return Review(
        hold=hold,
        here=next((stage for stage in plan.stages if stage.ends_at > now), None),
        last_passed=passed[-1] if passed else None,
        ropes=ropes,
        party_stops=tuple(stop for stop in stops if stop.subject not in roped),
        stops=stops,
        made_up=tuple(f for f in board.findings if f.kind is GapKind.RULE),
        unplaced=tuple(dict.fromkeys(u.item for u in units(evaluation) if u.carrier is None)),
        acclimatisation=_heights(board),
        stands=tuple(_stands(board)),
        turnaround=rules.turnaround(plan, picture, now),
        views=rules.views(picture, hold.id, staff, role) if hold else (),
        tripwires=tuple(_wires(evaluation)),
        watch=watch(evaluation, now),
    )


def _heights(board: Board) -> tuple[tuple[str, tuple[str, ...]], ...]:
    """Alike things said once, most people first."""
    said: dict[str, list[str]] = {}
    for finding in board.findings:
        if _about_height(finding):
            said.setdefault(finding.reasons[0].says, []).append(finding.subject_name)
    return tuple(sorted(((says, tuple(who)) for says, who in said.items()), key=lambda row: -len(row[1])))


_WORST_FIRST = (Word.ERASED, Word.SYMPTOMS, Word.ABOVE, Word.UNKNOWN, Word.WITHIN)


def _stands(board: Board) -> Iterable[tuple[str, tuple[str, ...] | str]]:
    lines = [line for rope in board.ropes for line in rope.people] + list(board.unroped)
    told = [(line.acclimatisation, line.name) for line in lines if line.acclimatisation is not None]
    if told:
        said: dict[tuple[int, str], list[str]] = {}
        for one, name in told:
            said.setdefault((_WORST_FIRST.index(one.state), one.words), []).append(name)
        for (_, words), names in sorted(said.items()):
            yield words, tuple(names)
        return
    for word in _WORST_FIRST:
        how_many = getattr(board.acclimatisation, word.value)
        if how_many:
            yield SHORT_WORDS[word], "1 person" if how_many == 1 else f"{how_many} people"


def _about_height(finding: Finding) -> bool:
    return finding.kind in (GapKind.HEIGHT, GapKind.HELD) or finding.requirement.startswith("night")


def _rope(board: Board, index: int, stops: Sequence[Finding]) -> RopeReview:
    rope = board.ropes[index]
    ids = {rope.rope, *(line.member for line in rope.people)}
    here = {stop.id for stop in stops}
    return RopeReview(
        id=rope.rope,
        name=rope.name,
        people=tuple(line.name for line in rope.people),
        guides=sum(line.role.guides for line in rope.people),
        clients=sum(not line.role.guides for line in rope.people),
        stops=tuple(stop for stop in stops if stop.subject in ids),
        later=tuple(
            f for f in board.findings if f.subject in ids and f.id not in here and f.grade.value != "advise"
        ),
        unknown=rope.verdict.tally.unknown,
        accepted=rope.verdict.tally.accepted,
    )


def _wires(evaluation: Evaluation) -> Iterable[WatchedWire]:
    decided = evaluation.picture.decided
    for id_, record in decided.tripwires.items():
        wire = record.body.wire
        state = wire_state(evaluation, wire) if wire is not None else None
        told = in_words(evaluation, record.body, state or WireState(None))
        seen = decided.crossed.get(id_)
        yield WatchedWire(id_, record.body, record.actor.name, state, told, seen.actor.name if seen else None)


def nearest(
    evaluation: Evaluation, forecast: Forecast | None, previous: Forecast | None
) -> tuple[TippingPoint, ...]:
    """The tipping points nearest to the forecast in force."""
    if forecast is None:
        return ()
    return tipping_points(evaluation, forecast, previous)[:MOST_TIPPING]


def shift_in_words(point: TippingPoint) -> str:
    """A tipping point's shift: "freezing level 150 m lower"."""
    size = abs(point.shift)
    match point.axis:
        case Axis.FREEZING_LEVEL:
            return f"freezing level {size:,.0f} m {'lower' if point.shift < 0 else 'higher'}"
        case Axis.TEMPERATURE:
            return f"air {size:.1f} °C {'colder' if point.shift < 0 else 'warmer'}"
        case Axis.WIND:
            return f"wind {point.shift:.2f} times as strong"
        case Axis.START:
            return f"start {size:.0f} min {'earlier' if point.shift < 0 else 'later'}"
