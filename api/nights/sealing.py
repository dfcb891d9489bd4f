"""Sealing: a key for each person, wrapped by a master key. AES-GCM with 256 bits (NIST SP 800-38D).

What is sealed is bound to its trip, person and key, so that it cannot be passed off as somebody else's; and
it is padded, so that its length does not tell what kind of note it is.
"""

import base64
import binascii
import hashlib
import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.ciphers.aead import AESGCM

from api.settings import Settings

KEY_BYTES = 32
NONCE_BYTES = 12
PADDED_TO = 512
KEY_FILE = "health.key"


class CannotOpen(Exception):
    """What is sealed cannot be opened with the keys at hand; the message says why."""


@dataclass(frozen=True, slots=True)
class MasterKey:
    """A key that persons' keys are wrapped with."""

    secret: bytes

    @property
    def id(self) -> str:
        """Tells master keys apart without telling them."""
        return hashlib.sha256(b"rimaye health key" + self.secret).hexdigest()[:16]

    def __repr__(self) -> str:
        return f"MasterKey({self.id})"

    def wrap(self, key: bytes, bound_to: str) -> str:
        """A person's key as it is kept."""
        return _encrypt(self.secret, key, bound_to)

    def unwrap(self, wrapped: str, bound_to: str) -> bytes:
        """The person's key. Raises CannotOpen."""
        return _decrypt(self.secret, wrapped, bound_to)


@dataclass(frozen=True, slots=True)
class Keyring:
    """The master keys at hand: the first wraps, the others still unwrap."""

    keys: tuple[MasterKey, ...]

    @property
    def current(self) -> MasterKey:
        return self.keys[0]

    def of(self, id_: str) -> MasterKey:
        """The master key with this id. Raises CannotOpen without it."""
        found = next((key for key in self.keys if key.id == id_), None)
        if found is None:
            raise CannotOpen(
                f"the master key {id_} is not here; give it in RIMAYE_HEALTH_KEY, or bring back {KEY_FILE}"
            )
        return found


def new_key() -> bytes:
    """A new random key."""
    return AESGCM.generate_key(KEY_BYTES * 8)


def seal(key: bytes, text: bytes, bound_to: str) -> str:
    """`text` sealed, in base64."""
    short = -(len(text) + 1) % PADDED_TO
    return _encrypt(key, text + b"\x80" + b"\x00" * short, bound_to)


def open_sealed(key: bytes, sealed: str, bound_to: str) -> bytes:
    """What was sealed. Raises CannotOpen for another key, person or trip, and for what was changed."""
    return _decrypt(key, sealed, bound_to).rstrip(b"\x00")[:-1]


def bound(trip: str, member: str, key_id: str) -> str:
    """What a person's key and notes are bound to."""
    return f"{trip}/{member}/{key_id}"


def _encrypt(key: bytes, text: bytes, bound_to: str) -> str:
    nonce = os.urandom(NONCE_BYTES)
    return base64.b64encode(nonce + AESGCM(key).encrypt(nonce, text, bound_to.encode())).decode()


def _decrypt(key: bytes, sealed: str, bound_to: str) -> bytes:
    try:
        raw = base64.b64decode(sealed, validate=True)
        return AESGCM(key).decrypt(raw[:NONCE_BYTES], raw[NONCE_BYTES:], bound_to.encode())
    except (binascii.Error, InvalidTag, ValueError) as error:
        raise CannotOpen("it was sealed with another key, or it was changed") from error


# -- where the master key is kept


def keyring(settings: Settings) -> tuple[Keyring, bool]:
    """The master keys, and whether one was made just now because there was none.

    Raises CannotOpen when what is given is no key.
    """
    given = settings.health_key.get_secret_value()
    if given:
        return Keyring(tuple(_read(part, "RIMAYE_HEALTH_KEY") for part in given.split(","))), False
    file = settings.data_dir / KEY_FILE
    try:
        lines = file.read_text(encoding="ascii").split()
    except FileNotFoundError:
        return _made(file)
    return Keyring(tuple(_read(line, str(file)) for line in lines)), False


def _made(file: Path) -> tuple[Keyring, bool]:
    """A new key file; if another process makes it at the same moment, theirs counts."""
    made = MasterKey(new_key())
    file.parent.mkdir(parents=True, exist_ok=True)
    unfinished = _written(file, [made])
    try:
        os.link(unfinished, file)
    except FileExistsError:
        theirs = file.read_text(encoding="ascii").split()
        return Keyring(tuple(_read(line, str(file)) for line in theirs)), False
    finally:
        unfinished.unlink()
    return Keyring((made,)), True


def keep(settings: Settings, keys: Sequence[MasterKey]) -> None:
    """Put master keys into the key file, the current one first; whole or not at all."""
    file = settings.data_dir / KEY_FILE
    _written(file, keys).replace(file)


def _written(file: Path, keys: Sequence[MasterKey]) -> Path:
    unfinished = file.with_name(f"{file.name}.{os.getpid()}.part")
    unfinished.unlink(missing_ok=True)
    descriptor = os.open(unfinished, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(descriptor, "w", encoding="ascii") as out:
        out.writelines(f"{base64.b64encode(key.secret).decode()}\n" for key in keys)
        out.flush()
        os.fsync(out.fileno())
    return unfinished


def _read(written: str, where: str) -> MasterKey:
    try:
        secret = base64.b64decode(
            written.strip(), altchars=b"-_" if set(written) & set("-_") else None, validate=True
        )
    except (binascii.Error, ValueError):
        secret = b""
    if len(secret) != KEY_BYTES:
        # Never the value itself: it may be most of a key.
        raise CannotOpen(f"{where} holds something that is no key; a key is {KEY_BYTES} bytes in base64")
    return MasterKey(secret)
