"""What the board's pages need beyond the board itself: findings sorted for reading. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from functools import cached_property
from itertools import groupby
from zoneinfo import ZoneInfo

from api.errors import NotFound
from api.journal.kinds import PARTY
from api.journal.trip import HoldKind
from api.kitlist.schemas import Grade, Scope, Zone
from api.readiness.schemas import Board, Finding, HoldLine, ItemRow, Standing, Trigger, Verdict, WeatherHour
from web import words

MOST_HOURS = 9
MOST_TOLD_SINGLY = 6
MOST_NAMED = 3


ALIKE_FROM = 3
"""From so many people on whom the very same thing is advised, it is said once for all of them."""


@dataclass(frozen=True, slots=True)
class Alike:
    """The same advice for several people."""

    findings: tuple[Finding, ...]

    @property
    def one(self) -> Finding:
        return self.findings[0]


@dataclass(frozen=True, slots=True)
class GradeGroup:
    """Known gaps of one grade."""

    grade: Grade
    findings: tuple[Finding, ...]

    @property
    def alone(self) -> tuple[Finding, ...]:
        """Findings that get a line of their own."""
        return tuple(finding for same in self._alike if not self._said_once(same) for finding in same)

    @property
    def together(self) -> tuple[Alike, ...]:
        """Advice that is the same for several people, said once for all of them."""
        return tuple(Alike(same) for same in self._alike if self._said_once(same))

    @property
    def _alike(self) -> tuple[tuple[Finding, ...], ...]:
        same: dict[tuple[str, ...], list[Finding]] = {}
        for finding in self.findings:
            same.setdefault(_said(finding), []).append(finding)
        return tuple(map(tuple, same.values()))

    def _said_once(self, same: tuple[Finding, ...]) -> bool:
        return self.grade is Grade.ADVISE and len(same) >= ALIKE_FROM


def _said(finding: Finding) -> tuple[str, ...]:
    return finding.requirement, finding.hold, *(reason.says for reason in finding.reasons)


@dataclass(frozen=True, slots=True)
class UnknownGroup:
    """What is not known about one subject."""

    subject: str
    name: str
    findings: tuple[Finding, ...]

    @property
    def how_many(self) -> int:
        return len(self.findings)

    @property
    def few(self) -> bool:
        """Whether each can be told by itself."""
        return self.how_many <= MOST_TOLD_SINGLY

    @property
    def in_short(self) -> str:
        """The first things by name, and how many more: "boots; socks; gaiters, and 53 more"."""
        items = [finding.item for finding in self.findings]
        if self.few:
            return "; ".join(items)
        return f"{'; '.join(items[:MOST_NAMED])}, and {self.how_many - MOST_NAMED} more"

    @property
    def by_zone(self) -> tuple[tuple[Zone, str], ...]:
        """What it is, zone by zone, in the order of a check."""
        items: dict[Zone, list[str]] = {zone: [] for zone in Zone}
        for finding in self.findings:
            items[finding.zone].append(finding.item)
        return tuple((zone, "; ".join(named)) for zone, named in items.items() if named)


@dataclass(frozen=True, slots=True)
class Ask:
    """One number that makes something asked, and who lacks what because of it."""

    trigger: Trigger
    lacking: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class TripLine:
    """A trip in the list of trips. One without a plan has no dates; one that is over has no standing."""

    trip: str
    name: str
    starts_on: date | None = None
    ends_on: date | None = None
    place: str = ""
    standing: Standing | None = None
    says: str = ""


@dataclass(frozen=True, slots=True)
class SheetHead:
    """Whose sheet it is."""

    name: str
    about: str
    verdict: Verdict


@dataclass(frozen=True, slots=True)
class ZoneRows:
    """The rows of one zone, in the order of the edition."""

    zone: Zone
    rows: tuple[ItemRow, ...]


@dataclass(frozen=True)
class BoardView:
    """A board, sorted for reading."""

    board: Board

    @cached_property
    def grades(self) -> tuple[GradeGroup, ...]:
        """Known gaps by grade, worst first; grades without any are left out."""
        groups = (
            GradeGroup(grade, tuple(f for f in self.board.findings if f.known_gap and f.grade is grade))
            for grade in Grade
        )
        return tuple(group for group in groups if group.findings)

    @cached_property
    def unknown(self) -> tuple[UnknownGroup, ...]:
        """What is not known, by subject, in the order the board gives."""
        by_subject: dict[str, list[Finding]] = {}
        for finding in self.board.findings:
            if not finding.known_gap:
                by_subject.setdefault(finding.subject, []).append(finding)
        return tuple(
            UnknownGroup(subject, found[0].subject_name, tuple(found))
            for subject, found in by_subject.items()
        )

    @cached_property
    def hours(self) -> tuple[WeatherHour, ...]:
        """The next hours, thinned out evenly to what one takes in at a glance; none when nothing is known."""
        hours = self.board.next_hours
        if all(hour.freezing_level_m is hour.air_temperature_c is hour.wind_mps is None for hour in hours):
            return ()
        return hours[:: -(-len(hours) // MOST_HOURS)]

    @cached_property
    def asks(self) -> tuple[Ask, ...]:
        """Numbers that known gaps rest on, soonest first; ground is left out, it is on the plan."""
        lacking: dict[tuple[str, str, float | None], tuple[Trigger, list[str]]] = {}
        for finding in self.board.findings:
            for trigger in finding.why_now if finding.known_gap else ():
                if trigger.comparison != "terrain":
                    key = (trigger.metric, trigger.stage, trigger.threshold)
                    lacking.setdefault(key, (trigger, []))[1].append(
                        f"{finding.subject_name}: {finding.item}"
                    )
        asks = [Ask(trigger, tuple(dict.fromkeys(who))) for trigger, who in lacking.values()]
        return tuple(
            sorted(asks, key=lambda ask: (ask.trigger.at is None, ask.trigger.at or self.board.as_of))
        )

    @cached_property
    def holds(self) -> Mapping[HoldKind, HoldLine]:
        """The hold point of each kind that is ahead, or else the last that was passed."""
        passed_first = sorted(self.board.holds, key=lambda hold: hold.passed_at is None)
        ahead = [hold for hold in passed_first if hold.passed_at is None]
        return {hold.kind: hold for hold in (*passed_first, *reversed(ahead))}

    def headline(self, say: words.Say) -> str:
        """How the trip stands at its next hold point: "At Harrow Station, leaving 11:30: 6 stops." """
        verdict = self.board.verdict
        hold = next((hold for hold in self.board.holds if hold.next), None)
        if verdict.tally.open == 0 and verdict.standing is not Standing.CLEAR:
            return words.sentence(verdict.words)
        counts = words.tally(verdict.tally)
        if hold is None:
            return words.sentence(f"No hold point ahead: {counts}")
        leaving = "leaving\N{NO-BREAK SPACE}" if hold.kind in (HoldKind.BASE, HoldKind.HIGH_CAMP) else ""
        if hold.at < self.board.as_of:
            leaving = "planned\N{NO-BREAK SPACE}"
        return words.sentence(f"At {hold.name}, {leaving}{say.when(hold.at)}: {counts}")

    def say(self, units: words.Units) -> words.Say:
        """Words in the time zone of the trip, at the moment of the board."""
        return words.Say(units=units, zone=ZoneInfo(self.board.time_zone), now=self.board.as_of)

    def head(self, subject: str) -> SheetHead:
        """Whose sheet `subject` is. Raises NotFound when the trip has no such person or rope."""
        if subject == PARTY:
            return SheetHead("The party", "What the whole party carries together.", self.board.verdict)
        for rope in self.board.ropes:
            if rope.rope == subject:
                people = words.join(person.name for person in rope.people)
                return SheetHead(rope.name, f"In rope order: {people}.", rope.verdict)
        places = [(person, f"on {rope.name}") for rope in self.board.ropes for person in rope.people]
        for person, where in (*places, *((person, "not on a rope") for person in self.board.unroped)):
            if person.member == subject:
                about = f"{words.sentence(f'{words.ROLES[person.role]}, {where}')} {person.about}".strip()
                return SheetHead(person.name, about, person.verdict)
        raise NotFound(f"Nobody and nothing called “{subject}” is on this trip. Go back to the board.")

    def own(self, subject: str) -> tuple[Finding, ...]:
        """The open findings of one subject."""
        return tuple(finding for finding in self.board.findings if finding.subject == subject)

    def in_short(self, row: ItemRow) -> str:
        """The finding of a row in a few words: "stop before Shelf Camp: not fit"."""
        finding = self.board.finding(row.finding) if row.finding else None
        if finding is None:
            return words.NOT_KNOWN
        return (
            f"{words.GRADES[finding.grade].lower()} before {finding.hold_name}: {words.KINDS[finding.kind]}"
        )

    def sheet_url(self, finding: Finding) -> str:
        """Where everything known about the finding's subject stands."""
        where = {
            Scope.PERSON: f"people/{finding.subject}",
            Scope.ROPE: f"ropes/{finding.subject}",
            Scope.PARTY: "party",
        }[finding.scope]
        return f"/trips/{self.board.trip}/{where}"


def by_zone(rows: Iterable[ItemRow]) -> Sequence[ZoneRows]:
    """Rows in the order of a check: feet first, open ones before the others within a zone."""
    order = {zone: place for place, zone in enumerate(Zone)}
    listed = sorted(rows, key=lambda row: (order[row.zone], row.finding is None))
    return [ZoneRows(zone, tuple(found)) for zone, found in groupby(listed, key=lambda row: row.zone)]
