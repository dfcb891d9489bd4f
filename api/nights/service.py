"""Health notes: written sealed, read by those who may, corrected, exported; who read them is kept.

Nothing that a note says goes into a log line, an error, an address or an entry in the clear.
"""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Annotated
from uuid import UUID

import structlog
from fastapi import Depends, FastAPI, Request
from sqlalchemy import Connection

from api.access.current import Reader
from api.access.permissions import require_role
from api.clock import Clock
from api.db import Work
from api.errors import Conflict, Invalid, NotFound, Refused, Unavailable
from api.ids import new_id
from api.journal import store
from api.journal.entry import Actor, Entry
from api.journal.fold import Picture, Record
from api.journal.health import ConsentGiven, HealthNote, Mark
from api.journal.kinds import AnyBody, NightTold
from api.journal.pictures import Snapshot
from api.journal.service import Journal, actor_of
from api.journal.store import Outcome
from api.journal.trip import TripPlan
from api.nights import queries
from api.nights.keys import CannotOpen, Keys
from api.nights.queries import AccessRow
from api.nights.schemas import (
    CONSENT,
    CONSENT_TEXT,
    CONSENT_VERSION,
    SEALED,
    Content,
    Counts,
    NightsWrite,
    NoteShown,
    NoteWrite,
    PrivateTalk,
    Sealed,
)
from api.nights.sealing import bound, open_sealed, seal
from api.nights.symptoms import held_by_word, mark_of, scored, standing
from api.settings import Settings

log = structlog.get_logger(__name__)


@dataclass(frozen=True, slots=True)
class Window:
    """From which day to which day guides may read the notes of a trip, in its time zone."""

    first: date
    last: date

    def holds(self, today: date) -> bool:
        return self.first <= today <= self.last


class Health:
    """Health notes of one installation. Safe from any thread."""

    def __init__(self, settings: Settings, clock: Clock, journal: Journal) -> None:
        self.settings = settings
        self.clock = clock
        self.journal = journal
        self.keys = Keys(settings)

    # -- consent

    def consent_text(self) -> tuple[str, str]:
        """The text people are shown, and the version that is recorded with their answer."""
        before, after = self.settings.health_read_days_before, self.settings.health_read_days_after
        keep = self.settings.health_keep_days
        text = CONSENT_TEXT.format(before=before, after=after, keep=keep)
        return text, f"{CONSENT_VERSION} ({before}, {after} and {keep} days)"

    def consent(
        self,
        work: Work,
        outfit: str,
        trip: str,
        actor: Actor,
        member: str,
        *,
        given: bool,
        device: str = "web",
        shown_in: str = "en",
    ) -> None:
        """Record what a person answered to the text in force, and the language they were shown it in.

        Taking it back erases nothing by itself.
        """
        self._member(self._snapshot(work, outfit, trip).picture, member)
        version = self.consent_text()[1] + (f", shown in {shown_in}" if shown_in != "en" else "")
        body = ConsentGiven(member=member, what=CONSENT, text_version=version, given=given)
        self.append(work, outfit, trip, actor, [body], device)

    # -- writing

    def tell_nights(
        self, work: Work, reader: Reader, trip: str, told: NightsWrite, device: str = "web"
    ) -> None:
        """Record where people slept. Raises NotFound for somebody who is not on the trip."""
        picture = self._snapshot(work, reader.outfit, trip).picture
        for member in told.members:
            self._member(picture, member)
        bodies = [
            NightTold(member=member, on=told.on, elevation_m=told.elevation_m, known=told.known)
            for member in told.members
        ]
        self.append(work, reader.outfit, trip, actor_of(reader), bodies, device)

    def write(
        self, work: Work, outfit: str, trip: str, actor: Actor, note: NoteWrite, device: str = "web"
    ) -> Outcome:
        """Seal a note and append it.

        `actor` is the guide, or the person themselves by their own link. Sent again under its own id it is
        stored once. Raises NotFound for somebody who is not on the trip, Conflict without their agreement,
        Refused for a private talk by someone who is not a lead, Invalid for a time that lies ahead.
        """
        snapshot = self._snapshot(work, outfit, trip)
        self._may_write(snapshot.picture, actor, note)
        now = self.clock.now()
        happened = note.happened_at or now
        if happened > now + timedelta(minutes=5):
            raise Invalid.field(
                "happened_at", happened.isoformat(), "that lies ahead", "Give the time it was said or seen."
            )
        if note.id is not None and (known := self._already(snapshot, note.id)) is not None:
            return known
        try:
            key = self.keys.for_writing(work, trip, note.member, now)
            said = Sealed(
                content=note.content, corrects=note.corrects, without_consent=self._unagreed(snapshot, note)
            )
            sealed = seal(key.secret, SEALED.dump_json(said), bound(trip, note.member, key.id))
            held = held_by_word(
                s.content for _, s in self._opened(work, snapshot, note.member) if s is not None
            )
        except CannotOpen as error:
            raise Unavailable(f"Health notes cannot be written now: {error}. Nothing was stored.") from error
        body = HealthNote(
            member=note.member, key_id=key.id, sealed=sealed, mark=mark_of(note.content, held=held)
        )
        return self.append(work, outfit, trip, actor, [body], device, note.id, happened)[0]

    def _may_write(self, picture: Picture, actor: Actor, note: NoteWrite) -> None:
        self._member(picture, note.member)
        if isinstance(note.content, PrivateTalk) and actor.role != "lead":
            raise Refused("A private talk is recorded by a lead guide. Ask the lead guide to write it.")
        if actor.role == "climber" and actor.id != note.member:
            raise Refused("You can write notes about yourself only.")
        if note.corrects is not None and all(
            record.entry != note.corrects for record in picture.health_notes.get(note.member, ())
        ):
            raise NotFound("The note to be put right is not among this person's notes. Open them again.")
        if not note.emergency and not agreed(picture, note.member) and actor.id != note.member:
            name = picture.profiles[note.member].name
            raise Conflict(
                f"{name} has not agreed to health notes. Show them the text and record their answer; in an "
                "emergency, to protect a life, say so on the form. Nothing was stored."
            )

    def _unagreed(self, snapshot: Snapshot, note: NoteWrite) -> bool:
        return note.emergency and not agreed(snapshot.picture, note.member)

    def _already(self, snapshot: Snapshot, id_: UUID) -> Outcome | None:
        known = next((entry for entry in snapshot.entries if entry.id == id_), None)
        return Outcome(id_, "already-there", known.seq) if known is not None else None

    # -- reading

    def window(self, plan: TripPlan) -> Window:
        """When guides may read the notes of a trip."""
        before = timedelta(days=self.settings.health_read_days_before)
        after = timedelta(days=self.settings.health_read_days_after)
        return Window(plan.starts_on - before, plan.ends_on + after)

    def read(
        self, work: Work, reader: Reader, trip: str, member: str | None = None, seq: int | None = None
    ) -> tuple[NoteShown, ...]:
        """The notes of a trip's people, or of one of them, as its guides read them. Every reading is kept.

        `seq`: only those written up to that entry. Raises Refused outside the window, and for those who are
        not guides.
        """
        require_role(reader, "health.read")
        snapshot = self._snapshot(work, reader.outfit, trip)
        self._in_time(snapshot.picture)
        if member is not None:
            self._member(snapshot.picture, member)
        members = [member] if member is not None else sorted(snapshot.picture.health_notes)
        shown = [
            note
            for person in members
            for note in self._shown(work, snapshot, person, talks=reader.role == "lead", upto=seq)
        ]
        self._log(work, trip, actor_of(reader), "read", shown)
        return tuple(shown)

    def read_own(self, work: Work, outfit: str, trip: str, member: str) -> tuple[NoteShown, ...]:
        """A person's own notes, all of them, for their own link. Kept like any reading."""
        snapshot = self._snapshot(work, outfit, trip)
        profile = self._member(snapshot.picture, member)
        shown = self._shown(work, snapshot, member, talks=True)
        self._log(work, trip, Actor(id=member, name=profile, role="climber"), "read", shown)
        return tuple(shown)

    def counts(self, conn: Connection, outfit: str, trip: str) -> Counts:
        """How many, without names and without opening anything."""
        picture = self._snapshot(conn, outfit, trip).picture
        people = list(picture.members)
        noted = [m for m in people if picture.health_notes.get(m)]
        return Counts(
            people=len(people),
            agreed=sum(agreed(picture, m) for m in people),
            with_notes=len(noted),
            held_back=sum(standing(picture, m).mark is Mark.HOLD for m in people),
            erased=len({record.body.member for record in picture.health_erased.values()}),
        )

    def readers(self, conn: Connection, trip: str, member: str | None = None) -> list[AccessRow]:
        """Who read whose notes, the last first."""
        return queries.logged(conn, trip, member)

    def log_deed(self, work: Work, trip: str, actor: Actor, did: str, member: str, notes: int = 0) -> None:
        """Keep that somebody took a person's notes out, or erased them."""
        queries.log(work, [self._line(trip, actor, did, member, notes)])

    def shown_all(self, conn: Connection, outfit: str, trip: str, member: str) -> tuple[NoteShown, ...]:
        """A person's notes with everything, for an export; whoever asks logs it."""
        return tuple(self._shown(conn, self._snapshot(conn, outfit, trip), member, talks=True))

    def _in_time(self, picture: Picture) -> None:
        plan = picture.trip
        if plan is None:
            raise Conflict("The trip has no plan yet, so there is no time in which its notes may be read.")
        window = self.window(plan)
        if not window.holds(self.clock.now().astimezone(plan.place.zone).date()):
            raise Refused(
                f"Health notes of this trip are read from {window.first} to {window.last} only. "
                "Ask the person themselves, who can see their own at any time."
            )

    def _shown(
        self, conn: Connection, snapshot: Snapshot, member: str, *, talks: bool, upto: int | None = None
    ) -> list[NoteShown]:
        written = {entry.id for entry in snapshot.entries[: len(snapshot.entries) if upto is None else upto]}
        erased = {row.id: row.erased_at for row in queries.keys(conn, snapshot.trip_id, member)}
        opened = [pair for pair in self._opened(conn, snapshot, member) if pair[0].entry in written]
        corrected = {
            said.corrects: record.entry for record, said in opened if said is not None and said.corrects
        }
        return [
            _note(record, said, erased.get(record.body.key_id), corrected.get(record.entry), talks)
            for record, said in opened
        ]

    def _opened(
        self, conn: Connection, snapshot: Snapshot, member: str
    ) -> list[tuple[Record[HealthNote], Sealed | None]]:
        rows = {row.id: row for row in queries.keys(conn, snapshot.trip_id, member)}
        secrets: dict[str, bytes] = {}
        found: list[tuple[Record[HealthNote], Sealed | None]] = []
        for record in snapshot.picture.health_notes.get(member, ()):
            key_id = record.body.key_id
            row = rows.get(key_id)
            said = None
            if row is not None and row.erased_at is None:
                try:
                    secret = secrets.setdefault(key_id, self.keys.unwrapped(row).secret)
                    text = open_sealed(secret, record.body.sealed, bound(snapshot.trip_id, member, key_id))
                    said = SEALED.validate_json(text)
                except (CannotOpen, ValueError):
                    # Only that it could not be read: an error may quote what it says.
                    log.warning("health_note_unreadable", trip=snapshot.trip_id)
            found.append((record, said))
        return found

    # -- shared

    def _snapshot(self, conn: Connection, outfit: str, trip: str) -> Snapshot:
        return self.journal.picture(conn, outfit, trip)

    def _member(self, picture: Picture, member: str) -> str:
        profile = picture.profiles.get(member)
        if profile is None:
            raise NotFound(f"Nobody called {member} is on this trip. Choose the person on the nights page.")
        return profile.name

    def append(
        self,
        work: Work,
        outfit: str,
        trip: str,
        actor: Actor,
        bodies: Sequence[AnyBody],
        device: str,
        id_: UUID | None = None,
        at: datetime | None = None,
    ) -> list[Outcome]:
        """Append entries of this room in somebody's name. Raises Conflict when one is refused."""
        now = self.clock.now()
        seen = store.head(work, trip, outfit).seq
        entries = [
            Entry(
                id=id_ or new_id(now),
                trip=trip,
                body=body,
                actor=actor,
                device=device,
                happened_at=at or now,
                seen_seq=seen,
            )
            for body in bodies
        ]
        outcomes = self.journal.record(work, outfit, trip, entries)
        refused = [outcome.problem for outcome in outcomes if outcome.status == "refused"]
        if refused:
            raise Conflict(" ".join(refused))
        return outcomes

    def _log(self, work: Work, trip: str, actor: Actor, did: str, shown: Sequence[NoteShown]) -> None:
        counts = Counter(note.member for note in shown if note.content is not None)
        queries.log(work, [self._line(trip, actor, did, member, n) for member, n in sorted(counts.items())])

    def _line(self, trip: str, actor: Actor, did: str, member: str, notes: int) -> dict[str, object]:
        return {
            "id": str(new_id()),
            "trip_id": trip,
            "member": member,
            "reader": actor.id,
            "reader_name": actor.name,
            "did": did,
            "notes": notes,
            "at": self.clock.now(),
        }


def agreed(picture: Picture, member: str) -> bool:
    """Whether a person has agreed to health notes, and not taken it back."""
    record = picture.consents.get((member, CONSENT))
    return record is not None and record.body.given


def _note(
    record: Record[HealthNote],
    said: Sealed | None,
    erased_at: datetime | None,
    corrected_by: UUID | None,
    talks: bool,
) -> NoteShown:
    content: Content | None = said.content if said is not None else None
    private = isinstance(content, PrivateTalk) and not talks
    state = "readable"
    if content is None:
        state = "erased" if erased_at is not None else "no-key"
    elif private:
        state = "private"
    return NoteShown.model_validate(
        {
            "id": record.entry,
            "member": record.body.member,
            "happened_at": record.happened_at,
            "by": record.actor.name,
            "role": record.actor.role,
            "mark": record.body.mark,
            "content": None if private else content,
            "state": state,
            "erased_at": erased_at,
            "score": scored(content),
            "corrects": said.corrects if said is not None else None,
            "corrected_by": corrected_by,
            "without_consent": said.without_consent if said is not None else False,
        }
    )


def install(app: FastAPI) -> Health:
    """Give `app` its health notes, as `app.state.health`."""
    app.state.health = Health(app.state.settings, app.state.clock, app.state.journal)
    return app.state.health  # type: ignore[no-any-return]


def _health(request: Request) -> Health:
    if not hasattr(request.app.state, "health"):
        install(request.app)
    return request.app.state.health  # type: ignore[no-any-return]


HealthNotes = Annotated[Health, Depends(_health)]
