"""What a reader may write: checks on every entry that somebody hands in as it was written elsewhere.

The table of kinds and actions says which kinds a role may write at all. Two kinds need a closer look: a
sighting, because only guides may say that a thing was seen or tried, and a withdrawal, because it undoes what
somebody wrote.
"""

from api.access.current import Reader
from api.access.permissions import ACTIONS, ENTRY_ACTIONS, may, may_write
from api.errors import Invalid
from api.journal.entry import Entry
from api.journal.kinds import Known, Sighting, Withdrawn
from api.journal.service import actor_of
from api.journal.store import Check

MOST_WITHOUT_HANDS = Known.PICTURED
"""The most that somebody who is no guide on the trip can say of a thing."""
FOR_GUIDES = "is for the guides of the trip, who have it in their hands."
AT_MOST = f"Record it as {MOST_WITHOUT_HANDS.value} at most."


def checks_for(reader: Reader) -> tuple[Check, ...]:
    """The checks on entries that a reader sends."""
    allowed = may_write(reader)

    def kind(entry: Entry, _taken_back: Entry | None) -> str | None:
        return allowed(entry)

    return written_by(reader), kind, shown_at_most(reader), may_take_back(reader)


def written_by(reader: Reader) -> Check:
    """A check that refuses entries in somebody else's name."""
    actor = actor_of(reader)

    def check(entry: Entry, _taken_back: Entry | None) -> str | None:
        if entry.actor == actor:
            return None
        return (
            f"actor: {actor.name} ({actor.role}) sent an entry of {entry.actor.name} ({entry.actor.role})."
            " Let its writer send it from their own sign-in."
        )

    return check


def shown_at_most(reader: Reader) -> Check:
    """A check that refuses sightings that say more than their writer can know."""

    def check(entry: Entry, _taken_back: Entry | None) -> str | None:
        body = entry.body
        if not isinstance(body, Sighting) or may_say(reader, body.known):
            return None
        return f"known: {body.known.value} {FOR_GUIDES} {AT_MOST}"

    return check


def may_say(reader: Reader, known: Known) -> bool:
    """Whether a reader may record a thing as known in this way: seen and tried are said by guides alone."""
    return known.rung <= MOST_WITHOUT_HANDS.rung or may(reader, "check.record")


def require_may_say(reader: Reader, known: Known) -> None:
    """Raises Invalid for what a reader may not record."""
    if not may_say(reader, known):
        raise Invalid.field("known", known.value, FOR_GUIDES, AT_MOST)


def may_take_back(reader: Reader) -> Check:
    """A check that refuses withdrawals of what is not the reader's to take back."""

    def check(entry: Entry, taken_back: Entry | None) -> str | None:
        if not isinstance(entry.body, Withdrawn):
            return None
        if taken_back is None:
            return _unknown(reader, entry.body)
        return _why_it_stays(reader, taken_back)

    return check


def _unknown(reader: Reader, asked: Withdrawn) -> str | None:
    if may(reader, "entry.withdraw"):
        return None
    return f"entry: {asked.entry} is not here, so nobody can tell whose it is. Send that entry first."


def _why_it_stays(reader: Reader, taken_back: Entry) -> str | None:
    """Lead guides take back anything but the service's own word; others what is theirs."""
    action = ENTRY_ACTIONS.get(taken_back.kind)
    if action is None or not ACTIONS[action].roles:
        return f"entry: {taken_back.kind} is the word of the service itself. It cannot be taken back."
    if may(reader, "entry.withdraw"):
        return None
    writer = taken_back.actor
    if writer.id != reader.staff or writer.role == "climber":
        return (
            f"entry: {writer.name} wrote it, not {reader.name}. Ask them, or a lead guide, to take it back."
        )
    if not may(reader, action):
        return f"entry: {taken_back.kind} is not for the {reader.role}. Ask a lead guide to take it back."
    return None
