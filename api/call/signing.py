"""Sealing a record: canonical form (RFC 8785), SHA-256, Ed25519 (RFC 8032), and finding out what was changed.

A sealed record is a file of exactly the canonical bytes of

    {"format": 1, "key_id": …, "public_key": …, "record": {…}, "sections": {…}, "sha256": …, "signature": …}

`sections` holds the hash of each part of the record, so that a change can be named. The signature is over the
canonical bytes of everything but `signature` itself.
"""

import hashlib
import json
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Any

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey

from api.journal.chain import CannotBeKept, canonical_json

FORMAT = 1
MEMBERS = ("format", "key_id", "public_key", "record", "sections", "sha256", "signature")


@dataclass(frozen=True, slots=True)
class Fault:
    """What is wrong with a sealed record, and where."""

    where: str
    says: str


def sha256(value: Any) -> str:
    """SHA-256 of the canonical form of plain JSON values, in hexadecimal."""
    return hashlib.sha256(canonical_json(value).encode()).hexdigest()


def key_id(public_key: bytes) -> str:
    """A key's short name: the first sixteen hexadecimal digits of its SHA-256."""
    return hashlib.sha256(public_key).hexdigest()[:16]


def public_bytes(key: Ed25519PrivateKey) -> bytes:
    """The 32 bytes of the public key."""
    return key.public_key().public_bytes_raw()


def seal(record: Mapping[str, Any], key: Ed25519PrivateKey) -> str:
    """The sealed record as text. Raises CannotBeKept when the record has no canonical form."""
    public = public_bytes(key)
    unsigned = {
        "format": FORMAT,
        "key_id": key_id(public),
        "public_key": public.hex(),
        "record": dict(record),
        "sections": {name: sha256(part) for name, part in record.items()},
        "sha256": sha256(record),
    }
    signature = key.sign(canonical_json(unsigned).encode()).hex()
    return canonical_json(unsigned | {"signature": signature})


def opened(text: bytes) -> dict[str, Any] | Fault:
    """The members of a sealed record, or why it is none. Nothing is checked but its form."""
    try:
        written = text.decode("utf-8")
    except UnicodeDecodeError as error:
        return Fault(f"byte {error.start}", "this is no UTF-8 text")
    try:
        parsed = json.loads(written)
    except json.JSONDecodeError as error:
        return Fault(f"byte {len(written[: error.pos].encode())}", f"this is no JSON: {error.msg}")
    except (RecursionError, ValueError) as error:
        return Fault("the file", f"this is no JSON that can be read: {error}")
    if not isinstance(parsed, dict) or set(parsed) != set(MEMBERS):
        names = sorted(set(parsed) ^ set(MEMBERS)) if isinstance(parsed, dict) else ["the file"]
        return Fault(", ".join(map(str, names)), "this is no sealed record: members are missing or unknown")
    try:
        canonical = canonical_json(parsed).encode()
    except CannotBeKept as error:
        return Fault("the file", f"it has no canonical form: {error}")
    if canonical != text:
        at = next(
            (i for i, (a, b) in enumerate(zip(canonical, text, strict=False)) if a != b),
            min(len(canonical), len(text)),
        )
        return Fault(f"byte {at}", "it is not in canonical form, so it is not as it was sealed")
    return parsed


def check(sealed: Mapping[str, Any], trusted: Collection[str] | None = None) -> tuple[Fault, ...]:
    """Everything wrong with the members of a sealed record; empty when it is as it was sealed.

    Parameters
    ----------
    sealed
        As `opened` gives it.
    trusted
        Public keys of the outfit, in hexadecimal; None: the key in the record is taken at its word.
    """
    faults = [*_form(sealed)]
    if faults:
        return tuple(faults)
    record, sections = sealed["record"], sealed["sections"]
    for name in sorted(set(record) ^ set(sections)):
        faults.append(Fault(f"record.{name}", "this part was added or taken away"))
    for name in sorted(set(record) & set(sections)):
        if sha256(record[name]) != sections[name]:
            faults.append(Fault(f"record.{name}", "this part is not as it was sealed"))
    if sha256(record) != sealed["sha256"]:
        faults.append(Fault("sha256", "the record as a whole has another hash"))
    public = bytes.fromhex(sealed["public_key"])
    if key_id(public) != sealed["key_id"]:
        faults.append(Fault("key_id", "it is not the name of the public key beside it"))
    if trusted is not None and sealed["public_key"] not in trusted:
        faults.append(Fault("public_key", f"key {sealed['key_id']} is not one of this outfit's"))
    unsigned = {name: part for name, part in sealed.items() if name != "signature"}
    if not signed_by(public, bytes.fromhex(sealed["signature"]), canonical_json(unsigned).encode()):
        faults.append(Fault("signature", "it does not belong to this content and key"))
    return tuple(faults)


def _form(sealed: Mapping[str, Any]) -> list[Fault]:
    faults = []
    if sealed["format"] != FORMAT or isinstance(sealed["format"], bool):
        faults.append(Fault("format", f"only format {FORMAT} is known here, this is {sealed['format']!r}"))
    for name, length in (("public_key", 64), ("signature", 128), ("sha256", 64), ("key_id", 16)):
        value = sealed[name]
        if not (isinstance(value, str) and len(value) == length and set(value) <= set("0123456789abcdef")):
            faults.append(Fault(name, f"it must be {length} small hexadecimal digits"))
    for name in ("record", "sections"):
        if not isinstance(sealed[name], dict):
            faults.append(Fault(name, "it must be an object"))
    return faults


def signed_by(public_key: bytes, signature: bytes, message: bytes) -> bool:
    """Whether an Ed25519 signature is good."""
    try:
        Ed25519PublicKey.from_public_bytes(public_key).verify(signature, message)
    except (InvalidSignature, ValueError):
        return False
    return True
