"""What the word of a loan means for things of the locker, by whatever way it came into a journal.

A return that a phone sends hours later, or that comes in a file from another laptop, quarantines a damaged
thing exactly like one at the desk. So the desk only writes the entry, and what follows is done here.
"""

from dataclasses import replace
from datetime import date, datetime

from api.access.current import ROLES, Reader, Role
from api.clock import Clock, SystemClock
from api.db import Work
from api.journal.entry import Actor, Entry
from api.journal.fold import Picture
from api.journal.kinds import PARTY, LoanBody, LoanHandedOut, LoanReturned, LoanTerms
from api.journal.service import Journal
from api.journal.store import Reaction
from api.journal.trip import TripPlan
from api.locker import queries, service
from api.locker.rules import Item
from api.locker.schemas import Quarantine, Retirement


def install(journal: Journal) -> None:
    """From now on the locker follows what is written about loans."""
    for kind, reaction in _reactions(journal).items():
        journal.react(kind, reaction)


def following() -> dict[str, Reaction]:
    """The same for entries that come in a file, outside the service."""
    return _reactions(Journal(SystemClock()))


def _reactions(journal: Journal) -> dict[str, Reaction]:
    followed = Following(journal)
    return {"loan-handed-out": followed.handed_out, "loan-returned": followed.returned}


class Following:
    """The locker following the journals of trips."""

    def __init__(self, journal: Journal) -> None:
        self._journal = journal

    def handed_out(self, work: Work, outfit: str, trip: str, entry: Entry, _seq: int) -> None:
        """Note on the thing that somebody has it."""
        thing, body = _thing_of(work, outfit, entry), entry.body
        if thing is None or not isinstance(body, LoanHandedOut):
            return
        picture = self._journal.picture(work, outfit, trip).picture
        says = f"{_trip_name(picture, trip)}: to {name_of(picture, body.terms)}."
        service.note(work, _writer(outfit, entry.actor), self._clock, thing.id, "handed out", says)

    def returned(self, work: Work, outfit: str, trip: str, entry: Entry, seq: int) -> None:
        """Count the days of use; put what is damaged in quarantine, and retire what is lost."""
        thing, body = _thing_of(work, outfit, entry), entry.body
        if thing is None or not isinstance(body, LoanReturned):
            return
        snapshot = self._journal.picture(work, outfit, trip)
        back = _Back(work, outfit, self._clock, entry, snapshot.picture, _trip_name(snapshot.picture, trip))
        before = [
            other
            for other in snapshot.entries
            if other.seq < seq and isinstance(other.body, LoanBody) and other.body.loan == body.loan
        ]
        back.note(thing, body)
        if not any(isinstance(earlier.body, LoanReturned) for earlier in before):
            out = [earlier.happened_at for earlier in before if isinstance(earlier.body, LoanHandedOut)]
            thing = back.counted(thing, body, out[-1] if out else None)
        back.put_away(thing, body)

    @property
    def _clock(self) -> Clock:
        return self._journal.clock


class _Back:
    """A thing of the locker that came back, or did not."""

    def __init__(
        self, work: Work, outfit: str, clock: Clock, entry: Entry, picture: Picture, where: str
    ) -> None:
        self._work, self._outfit, self._clock = work, outfit, clock
        self._entry, self._plan, self._where = entry, picture.trip, where
        self._by = _writer(outfit, entry.actor)

    def note(self, thing: Item, body: LoanReturned) -> None:
        says = f"{self._where}: back {body.condition}. {body.remark}".strip()
        service.note(self._work, self._by, self._clock, thing.id, "returned", says)

    def counted(self, thing: Item, body: LoanReturned, handed_out: datetime | None) -> Item:
        """The thing with its days of use counted on, or a stock without what is gone."""
        if thing.counted:
            gone = 0 if body.condition == "fine" else body.terms.units
            kept = replace(thing, quantity=max(thing.quantity - gone, 0))
        elif self._plan is None or handed_out is None:
            return thing
        else:
            first, days = _use(self._plan, handed_out, self._entry.happened_at)
            kept = replace(thing, days_used=thing.days_used + days, first_use=thing.first_use or first)
        queries.change_item(self._work, self._outfit, kept)
        return kept

    def put_away(self, thing: Item, body: LoanReturned) -> None:
        if thing.counted or thing.retired_on is not None:
            return
        if body.condition == "damaged":
            held = Quarantine(reason=_said(f"Back damaged from {self._where}", body.remark))
            service.quarantine(self._work, self._by, self._clock, thing.id, held)
        elif body.condition == "lost":
            gone = Retirement(reason=_said(f"Lost on {self._where}", body.remark))
            service.retire(self._work, self._by, self._clock, thing.id, gone)


def _use(plan: TripPlan, out: datetime, back: datetime) -> tuple[date, int]:
    """The first day on which a thing was used on a trip, and how many days it was out; at least one."""
    zone = plan.place.zone
    first = max(plan.starts_on, out.astimezone(zone).date())
    last = min(plan.ends_on, back.astimezone(zone).date())
    return first, max((last - first).days + 1, 1)


def _said(what: str, remark: str) -> str:
    return f"{what}: {remark}" if remark else f"{what}. Nothing was said of how."


def _thing_of(work: Work, outfit: str, entry: Entry) -> Item | None:
    """The thing of the locker that an entry about a loan speaks of; None for other loans, or unknown ids."""
    body = entry.body
    if not isinstance(body, LoanBody) or body.terms.source != "locker" or body.terms.giver is None:
        return None
    return queries.item(work, outfit, body.terms.giver)


def _writer(outfit: str, actor: Actor) -> Reader:
    """Whoever wrote an entry, as the locker names who did something."""
    role: Role = next((known for known in ROLES if known == actor.role), "office")
    return Reader(outfit=outfit, staff=actor.id, name=actor.name, role=role)


def _trip_name(picture: Picture, trip: str) -> str:
    return picture.trip.name if picture.trip is not None else trip


def name_of(picture: Picture, terms: LoanTerms) -> str:
    """Who gets it, by name."""
    profile = picture.profiles.get(terms.subject)
    if profile is not None:
        return profile.name
    rope = next((rope.name for rope in picture.rope_teams if rope.id == terms.subject), None)
    return rope or ("the party" if terms.subject == PARTY else terms.subject)
