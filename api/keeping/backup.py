"""Copies of a SQLite database, made while others write, checked before they count, kept for some days."""

from __future__ import annotations

import os
import re
import shutil
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from sqlalchemy import Connection
from sqlalchemy.exc import DatabaseError

from api.clock import Clock
from api.db import Database
from api.errors import Conflict, Invalid, Unavailable
from api.journal import store
from api.journal.queries import trip_ids
from api.keeping import queries

NAME = re.compile(r"rimaye-(\d{8}T\d{6}Z)\.sqlite3")
STAMP = "%Y%m%dT%H%M%SZ"
DISK_ERRORS: tuple[type[Exception], ...] = (OSError, *queries.SQLITE_ERRORS)
NEEDED_TABLES = frozenset({"outfit", "trip", "journal_entry", "alembic_version"})


class NotWhole(Conflict):
    """A copy of the database is damaged, or its journals are not as they were written; it was not used."""

    code = "copy-not-whole"
    title = "This copy is not whole"


@dataclass(frozen=True, slots=True)
class Checked:
    """What a copy holds, all of it as it was written."""

    trips: int
    entries: int


@dataclass(frozen=True, slots=True)
class Backup:
    """A copy that was made and checked, and older ones that were removed for it."""

    file: Path
    checked: Checked
    removed: tuple[Path, ...]


def back_up(db: Database, folder: Path, clock: Clock, *, keep_days: int) -> Backup:
    """Copy the database into ``folder`` as one moment has it, check the copy, then remove old ones.

    Writers go on meanwhile. Under its name stands only a copy that was checked. Raises Invalid for a database
    that is no SQLite file, NotWhole when the copy is, Conflict for a second one in a second, and Unavailable
    when the disk does not take it.
    """
    file = folder / f"rimaye-{clock.now().astimezone(UTC).strftime(STAMP)}.sqlite3"
    source = _file_of(db)
    if file.exists():
        raise Conflict(f"{file} is there already. Wait a second and try again.")
    unfinished = file.with_suffix(".part")
    try:
        folder.mkdir(parents=True, exist_ok=True)
        _copy(source, unfinished)
        checked = check(unfinished)
        unfinished.replace(file)
        _to_disk(folder)
    except DISK_ERRORS as error:
        raise Unavailable(
            f"No backup was made in {folder}: {error}. See that the disk is there, has room and takes writes."
        ) from error
    finally:
        for leftover in _with_companions(unfinished):
            with suppress(OSError):
                leftover.unlink()
    return Backup(file, checked, tuple(_remove_old(folder, keep_days)))


def check(file: Path) -> Checked:
    """See that a copy is whole: its pages, its references, and the hash chain of every journal in it.

    Raises NotWhole, naming the first faults.
    """
    try:
        with queries.read_only_file(file) as conn:
            faults = queries.faults_of_file(conn)
            missing = NEEDED_TABLES - queries.table_names(conn)
            if missing:
                faults.append(f"it has no table {', '.join(sorted(missing))}; it is no database of Rimaye")
            if faults:
                raise NotWhole(f"{file.name}: {'; '.join(faults[:5])}.")
            return _check_journals(file, conn)
    except DatabaseError as error:
        raise NotWhole(f"{file.name} cannot be read as a database: {error.orig}.") from error


def _check_journals(file: Path, conn: Connection) -> Checked:
    trips = trip_ids(conn)
    entries = 0
    for trip in trips:
        report = store.verify_trip(conn, trip)
        if not report.whole:
            raise NotWhole(
                f"{file.name}: trip {trip} is broken at entry {report.broken_seq}: {report.problem}."
            )
        entries += report.entries
    return Checked(len(trips), entries)


def restore(file: Path, db: Database, folder: Path, clock: Clock, *, replace: bool) -> Path | None:
    """Put a copy in the place of the database, which must not be in use.

    What was there is set aside in ``folder`` first; returns where. Raises NotWhole for a copy that is not
    whole, Conflict when a database is there and ``replace`` is false, or when somebody has it open.
    """
    target = _file_of(db)
    if not file.is_file():
        raise Invalid.field(
            "file", str(file), "there is no such file", "Name a copy that `rimaye backup` made."
        )
    if target.exists() and file.resolve() == target.resolve():
        raise Invalid.field("file", str(file), "it is the database itself", "Name a copy of it.")
    check(file)
    db.close()
    aside = None
    if target.exists():
        if not replace:
            raise Conflict(
                f"{target} is there, and restoring would replace it. If that is meant, add --replace; it is "
                "set aside first."
            )
        _close_log(target)
        aside = folder / f"{target.stem}-before-restore-{clock.now().astimezone(UTC).strftime(STAMP)}.sqlite3"
    arriving = target.with_name(f"{target.name}.restoring")
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(file, arriving)
        _to_disk(arriving)
        if aside is not None:
            folder.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(target, aside)
            _to_disk(aside)
        arriving.replace(target)
        _to_disk(target.parent)
    except OSError as error:
        raise Unavailable(f"Nothing was restored, {target} is as it was: {error}.") from error
    finally:
        arriving.unlink(missing_ok=True)
    return aside


def old_ones(names: Iterable[str], keep_days: int) -> list[str]:
    """Which backups may go: of the newest ``keep_days`` days that have one, the newest of each day stays."""
    stamped = sorted(((match[1], name) for name in names if (match := NAME.fullmatch(name))), reverse=True)
    newest_of_day: dict[str, str] = {}
    for stamp, name in stamped:
        newest_of_day.setdefault(stamp[:8], name)
    kept = set(list(newest_of_day.values())[: max(keep_days, 1)])
    return sorted(name for _, name in stamped if name not in kept)


def newest(folder: Path) -> tuple[Path, datetime] | None:
    """The newest backup in ``folder`` and when it was made, for what watches backups."""
    found = [(match[1], file) for file in folder.glob("*") if (match := NAME.fullmatch(file.name))]
    if not found:
        return None
    stamp, file = max(found)
    return file, datetime.strptime(stamp, STAMP).replace(tzinfo=UTC)


def _remove_old(folder: Path, keep_days: int) -> list[Path]:
    removed = [folder / name for name in old_ones((each.name for each in folder.iterdir()), keep_days)]
    for file in removed:
        file.unlink(missing_ok=True)
    return removed


def _file_of(db: Database) -> Path:
    if db.dialect != "sqlite" or not db.url.database:
        raise Invalid.field(
            "database_url",
            db.url.render_as_string(hide_password=True),
            "this copies SQLite files only",
            "For PostgreSQL use pg_dump or its continuous archive; docs/operating.md says how.",
        )
    return Path(db.url.database)


def _copy(source: Path, target: Path) -> None:
    """One step of SQLite's own copying: a snapshot, beside which writers go on."""
    if not source.is_file():
        raise FileNotFoundError(f"there is no database at {source}")
    queries.copy_file(source, target)
    _to_disk(target)


def _close_log(target: Path) -> None:
    """Leave one plain file. Raises Conflict when somebody else has it open."""
    if not queries.log_folded_in(target):
        raise Conflict(f"{target} is in use. Stop the service, then restore. Nothing was changed.")
    for companion in _with_companions(target)[1:]:
        with suppress(FileNotFoundError):
            companion.unlink()


def _with_companions(file: Path) -> list[Path]:
    return [file, *(file.with_name(f"{file.name}-{end}") for end in ("wal", "shm", "journal"))]


def _to_disk(path: Path) -> None:
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
