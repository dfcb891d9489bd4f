"""Who may see which view before a call. Pure.

Views about one hold point between one call and the next belong together. Until the next call is made, an
assistant sees those of others only after giving their own, and the office sees none. A lead guide hears all.
"""

from collections.abc import Sequence
from uuid import UUID

from api.journal.chain import KeptEntry, canonical_json
from api.journal.decisions import ViewGiven
from api.journal.fold import Picture, Record
from api.journal.pictures import Snapshot

WITHHELD = "withheld"


def last_call(picture: Picture, hold: str) -> UUID | None:
    """The entry of the last call made at a hold point."""
    made = [record.entry for record in picture.decided.calls if record.body.hold == hold]
    return made[-1] if made else None


def views_now(picture: Picture, hold: str) -> tuple[Record[ViewGiven], ...]:
    """Views given at a hold point since its last call."""
    since = last_call(picture, hold)
    return tuple(v for v in picture.decided.views if v.body.hold == hold and v.body.after_call == since)


def may_see(picture: Picture, hold: str, after_call: UUID | None, staff: str, role: str) -> bool:
    """Whether a reader may see all views given at a hold point after a call."""
    if role == "lead" or last_call(picture, hold) != after_call:
        return True
    if role != "assistant":
        return False
    return any(view.actor.id == staff for view in views_now(picture, hold))


def shown_to(kept: Sequence[KeptEntry], snapshot: Snapshot, staff: str, role: str) -> list[KeptEntry]:
    """Stored entries as a reader may get them: without what is said in views they may not see yet.

    The hash stays that of the whole entry, which they can check once they may see it.
    """
    return [_shown(each, snapshot, staff, role) for each in kept]


def _shown(kept: KeptEntry, snapshot: Snapshot, staff: str, role: str) -> KeptEntry:
    # Nearly all entries are of other kinds; looking for the word costs less than reading the body.
    if '"view-given"' not in kept.body or not 0 < kept.seq <= snapshot.seq:
        return kept
    entry = snapshot.entries[kept.seq - 1]
    body = entry.body
    if not isinstance(body, ViewGiven) or entry.actor.id == staff:
        return kept
    if may_see(snapshot.picture, body.hold, body.after_call, staff, role):
        return kept
    hidden = body.model_copy(update={"view": WITHHELD, "why": ""})
    return kept._replace(body=canonical_json(hidden.model_dump(mode="json")))
