"""Persons' keys: made when first needed, wrapped anew on rotation, destroyed for good."""

from dataclasses import dataclass
from datetime import datetime

import structlog

from api.db import Work
from api.ids import new_id
from api.nights import queries
from api.nights.queries import KeyRow
from api.nights.sealing import KEY_FILE, CannotOpen, Keyring, MasterKey, bound, keep, keyring, new_key
from api.settings import Settings

log = structlog.get_logger(__name__)


@dataclass(frozen=True, slots=True)
class PersonKey:
    """A person's key, unwrapped. Never kept longer than it takes."""

    id: str
    secret: bytes

    def __repr__(self) -> str:
        return f"PersonKey({self.id})"


class Keys:
    """The keys of one installation."""

    def __init__(self, settings: Settings) -> None:
        self._settings = settings
        self._ring: Keyring | None = None

    @property
    def ring(self) -> Keyring:
        """The master keys; one is made, and told in the log, where there is none. Raises CannotOpen."""
        if self._ring is None:
            self._ring, made = keyring(self._settings)
            if made:
                log.warning(
                    "health_key_made",
                    file=str(self._settings.data_dir / "health.key"),
                    remedy="keep a copy apart from the database's; without it no health note can be read",
                )
        return self._ring

    def for_writing(self, work: Work, trip: str, member: str, now: datetime) -> PersonKey:
        """The person's key, made if there is none that is not erased. Raises CannotOpen."""
        living = [row for row in queries.keys(work, trip, member) if row.erased_at is None]
        if living:
            return self.unwrapped(living[-1])
        made = PersonKey(str(new_id(now)), new_key())
        self._ring = None  # another process may have rotated it meanwhile
        master = self.ring.current
        wrapped = master.wrap(made.secret, bound(trip, member, made.id))
        queries.add_key(work, KeyRow(made.id, trip, member, master.id, wrapped, now, None))
        return made

    def unwrapped(self, row: KeyRow) -> PersonKey:
        """A kept key, usable. Raises CannotOpen."""
        if all(key.id != row.master for key in self.ring.keys):
            self._ring = None  # another process may have rotated it meanwhile
        master = self.ring.of(row.master)
        return PersonKey(row.id, master.unwrap(row.wrapped, bound(row.trip_id, row.member, row.id)))

    # -- rotation

    def begin_rotation(self) -> MasterKey:
        """The master key to go over to. In the key file it is put before the old ones, which stay for now."""
        if self._settings.health_key.get_secret_value():
            return self.ring.current
        fresh = MasterKey(new_key())
        keep(self._settings, [fresh, *self.ring.keys])
        self._ring = Keyring((fresh, *self.ring.keys))
        return fresh

    def rewrap_all(self, work: Work) -> int:
        """Wrap every living key with the current master key; answers with how many. Raises CannotOpen."""
        current = self.ring.current
        rows = [row for row in queries.living_keys(work) if row.master != current.id]
        for row in rows:
            key = self.unwrapped(row)
            wrapped = current.wrap(key.secret, bound(row.trip_id, row.member, row.id))
            queries.rewrap(work, row.id, current.id, wrapped)
        work.after_commit(lambda: shred(work))
        return len(rows)

    @property
    def rotation_unfinished(self) -> bool:
        """Whether old master keys are still in the key file, for an interruption before they were dropped."""
        file = self._settings.data_dir / KEY_FILE
        given = self._settings.health_key.get_secret_value()
        return not given and file.exists() and len(keyring(self._settings)[0].keys) > 1

    def leave_behind(self, work: Work) -> None:
        """Go over to a new master key, where a database's own log keeps what was erased.

        What PostgreSQL has in its write-ahead log, and in archives of it, nobody can overwrite; it is worth
        nothing once the master key is gone that wraps it. A key from the settings is not ours to change: the
        log then says what is left to do. Interrupted, it is brought to an end the next time.
        """
        if work.dialect.name != "postgresql":
            return
        if self._settings.health_key.get_secret_value():
            log.warning("health_key_to_rotate", remedy="give a new RIMAYE_HEALTH_KEY; see docs/privacy.md")
            return
        self._ring = None  # another process may have rotated it meanwhile
        self.begin_rotation()
        self.rewrap_all(work)
        work.after_commit(self.end_rotation)
        log.warning("health_key_renewed", remedy="copy health.key anew, and destroy older copies of it")

    def end_rotation(self) -> None:
        """Drop the old master keys from the key file, once everything is stored under the new one."""
        if not self._settings.health_key.get_secret_value():
            keep(self._settings, [self.ring.current])
        self._ring = Keyring((self.ring.current,))


def destroy(work: Work, key_id: str, at: datetime) -> None:
    """Destroy a person's key, also where the database still has old pages once this is committed."""
    queries.erase_key(work, key_id, at)
    work.after_commit(lambda: shred(work))


def shred(work: Work) -> None:
    """Make what was overwritten unreadable on disk, or say in the log that it waits for the next time."""
    if not queries.leave_no_trace(work):
        log.warning(
            "health_shred_waits", remedy="a long reading is under way; it is done with the next round"
        )


__all__ = ["CannotOpen", "Keys", "PersonKey", "destroy", "shred"]
