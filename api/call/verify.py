"""Checking a sealed record: as it was signed, where the journal has it, and evaluated again."""

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection

from api.call import queries
from api.call.record import compared, evaluated, other_versions
from api.call.schemas import CheckedRecord, SealedFault
from api.call.signing import Fault, check, opened
from api.call.versions import code_versions
from api.errors import NotFound
from api.journal import store
from api.journal.decisions import CallMade
from api.journal.fold import record_of
from api.journal.pictures import Snapshot
from api.readiness.service import Readiness


@dataclass(frozen=True, slots=True)
class Checked:
    """What checking a record found."""

    faults: tuple[Fault, ...]
    """Why it is not as it was signed; empty: it is."""
    members: Mapping[str, Any] | None = None
    """The record's members, when they could be read."""
    key_known: bool | None = None
    """Whether the key is one of the outfit's here; None: there was nothing to compare it with."""
    chain: str | None = None
    """What is wrong with its place in the journal; empty: nothing; None: the journal is not at hand."""
    differences: tuple[str, ...] | None = None
    """How it comes out when evaluated again; None: it could not be."""
    versions: tuple[str, ...] = ()
    """Versions of the code that differ from those it was made with."""

    @property
    def good(self) -> bool:
        """Whether nothing speaks against it."""
        return not self.faults and not self.chain and not self.differences

    @property
    def record(self) -> Mapping[str, Any]:
        """The record itself."""
        found: Mapping[str, Any] = self.members["record"] if self.members else {}
        return found

    def says(self) -> tuple[str, ...]:
        """All of it in words, the worst first."""
        told = [f"{fault.where}: {fault.says}." for fault in self.faults]
        if self.faults:
            return ("This record is not as it was signed.", *told)
        told.append(
            f"Signature and content are good; signed with key {self.members and self.members['key_id']}."
        )
        if self.key_known is None:
            told.append("Compare that key with the outfit's: nothing here knows it.")
        if self.chain is None:
            told.append("The journal is not at hand, so its place there and its findings were not checked.")
        elif self.chain:
            told.append(f"It does not fit the journal: {self.chain}.")
        else:
            told.append("It stands in the journal where it says, and the journal up to there is whole.")
        told += self._replay()
        return tuple(told)

    def _replay(self) -> list[str]:
        if self.differences is None:
            return [] if self.chain is None else ["It could not be evaluated again."]
        if not self.differences:
            return ["Evaluated again it comes out the same."]
        told = ["Evaluated again it comes out otherwise:", *self.differences]
        if self.versions:
            return [*told, "These versions differ:", *self.versions]
        return [*told, "No version of the code differs, so what it rested on was changed where it is stored."]


def check_file(text: bytes, trusted: Collection[str] | None = None) -> Checked:
    """Check a sealed record by itself, with the outfit's public keys when they are known."""
    members = opened(text)
    if isinstance(members, Fault):
        return Checked((members,))
    faults = check(members, trusted)
    return Checked(faults, members, key_known=None if trusted is None else not faults)


def check_here(conn: Connection, readiness: Readiness, outfit: str, text: bytes) -> Checked:
    """Check a sealed record against this installation: keys, journal, and the same evaluation again."""
    trusted = queries.public_keys(conn, outfit) or None
    alone = check_file(text, trusted)
    if alone.faults or alone.members is None:
        return alone
    record = alone.record
    shape = _shape(record)
    if shape is not None:
        return Checked((shape,), alone.members, alone.key_known)
    versions = other_versions(record, code_versions())
    try:
        snapshot = readiness.journal.picture(conn, outfit, record["about"]["trip"])
    except NotFound:
        return Checked((), alone.members, alone.key_known, versions=versions)
    seq, problem = _place(conn, snapshot, record)
    if seq is None:
        return Checked((), alone.members, alone.key_known, problem, versions=versions)
    again = _again(conn, readiness, outfit, snapshot, seq)
    return Checked((), alone.members, alone.key_known, problem, compared(record, again), versions)


def wire_of(checked: Checked) -> CheckedRecord:
    """What checking found, for the wire."""
    return CheckedRecord(
        good=checked.good,
        says=checked.says(),
        faults=tuple(SealedFault(where=f.where, says=f.says) for f in checked.faults),
        chain=checked.chain,
        differences=checked.differences,
        versions=checked.versions,
    )


def _shape(record: Mapping[str, Any]) -> Fault | None:
    """Why a signed record is none of this service: anybody can sign anything with a key of their own."""
    texts = (
        ("about", "trip", str),
        ("about", "call", str),
        ("journal", "head_hash", str),
        ("journal", "seq", int),
    )
    for part, name, kind in texts:
        inner = record.get(part)
        if not isinstance(inner, dict) or not isinstance(inner.get(name), kind):
            return Fault(
                f"record.{part}.{name}", "it is missing or of another kind than in records made here"
            )
    return None


def _place(conn: Connection, snapshot: Snapshot, record: Mapping[str, Any]) -> tuple[int | None, str]:
    """Where the call stands in the journal here, and what is wrong with that; no number: nowhere."""
    seq, head_hash, call = record["journal"]["seq"], record["journal"]["head_hash"], record["about"]["call"]
    found = next((entry for entry in snapshot.entries if str(entry.id) == call), None)
    if found is None or not isinstance(found.body, CallMade):
        return None, f"the journal has no call {call}"
    if (found.seq, found.hash) != (seq, head_hash):
        where = f"the call is entry {found.seq} here and was entry {seq} where it was signed"
        return found.seq, f"{where}: this journal was taken over from a file, or another one"
    report = store.verify_trip(conn, snapshot.trip_id)
    if report.broken_seq is not None and report.broken_seq <= seq:
        return None, f"the journal is broken at entry {report.broken_seq}: {report.problem}"
    return seq, ""


def _again(
    conn: Connection, readiness: Readiness, outfit: str, snapshot: Snapshot, seq: int
) -> Mapping[str, Any]:
    evaluation = readiness.evaluation(conn, outfit, snapshot.trip_id, seq=seq)
    return evaluated(evaluation, record_of(snapshot.entries[seq - 1]))
