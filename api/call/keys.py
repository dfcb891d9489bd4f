"""The outfit's signing key: the private half in a file of the service, the public half in a table."""

import os
from pathlib import Path

import structlog
from anyio import to_thread
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from cryptography.hazmat.primitives.serialization import (
    Encoding,
    NoEncryption,
    PrivateFormat,
    load_pem_private_key,
)

from api.call import queries
from api.call.signing import key_id, public_bytes
from api.clock import Clock
from api.db import Database, Work
from api.errors import Unavailable
from api.journal.queries import outfits

FOLDER = "keys"

log = structlog.get_logger(__name__)


class KeyMissing(Unavailable):
    """The file of the signing key is gone or cannot be read; put it back from the copy of the data folder."""

    code = "signing-key-missing"
    title = "The signing key cannot be read"


class Keys:
    """The signing keys of one installation."""

    def __init__(self, data_dir: Path, clock: Clock) -> None:
        self._folder = data_dir / FOLDER
        self._clock = clock

    def signing_key(self, work: Work, outfit: str) -> Ed25519PrivateKey:
        """The outfit's key, made where there is none. Raises KeyMissing when its file cannot be read."""
        file = self._folder / f"{outfit}.pem"
        current = queries.newest_key(work, outfit)
        if current is None or not file.exists():
            # A restored database without its folder: sign with a new key rather than not at all. Records
            # that were signed with the old one stay good, because its public half is kept.
            key = self._make(file)
        else:
            key = self._read(file)
        public = public_bytes(key)
        if public.hex() not in queries.public_keys(work, outfit):
            queries.add_key(work, outfit, key_id(public), public.hex(), self._clock.now())
        return key

    def make_missing(self, db: Database) -> int:
        """Make the key of every outfit that has none yet; answers with how many. Raises KeyMissing."""
        with db.reading() as conn:
            without = [id_ for id_, _ in outfits(conn) if queries.newest_key(conn, id_) is None]
        if without:
            with db.writing() as work:
                for outfit in without:
                    self.signing_key(work, outfit)
        return len(without)

    def _make(self, file: Path) -> Ed25519PrivateKey:
        if file.exists():
            return self._read(file)
        self._folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        key = Ed25519PrivateKey.generate()
        pem = key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())
        # Never, not even for a moment, readable by others.
        handle = os.open(file, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(handle, "wb") as out:
            out.write(pem)
        return key

    def _read(self, file: Path) -> Ed25519PrivateKey:
        try:
            key = load_pem_private_key(file.read_bytes(), password=None)
        except (OSError, ValueError) as error:
            raise KeyMissing(
                f"The signing key {file.name} cannot be read: {error}. Put it back from a copy."
            ) from error
        if not isinstance(key, Ed25519PrivateKey):
            raise KeyMissing(f"The signing key {file.name} is of another kind. Put it back from a copy.")
        return key


async def at_hand(db: Database, keys: Keys) -> None:
    """Make what keys are missing as the service begins; what goes wrong is tried again at a call."""
    try:
        await to_thread.run_sync(keys.make_missing, db)
    except Exception:
        # Without a key a call still stands; the service must begin all the same.
        log.exception("signing_key_not_made")
