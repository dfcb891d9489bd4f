"""Bring a database's tables up to date, after a copy of what is there."""

from __future__ import annotations

from contextlib import closing
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

from sqlalchemy import inspect, text

from api.clock import Clock
from api.db import Database, sqlite_module

if TYPE_CHECKING:
    from alembic.config import Config

MIGRATIONS = Path(__file__).resolve().parent.parent / "migrations"
VERSION_TABLE = "alembic_version"


@dataclass(frozen=True)
class State:
    """Where a database stands, and where it should be. Both are empty before the first revision."""

    at: frozenset[str]
    head: frozenset[str]

    @property
    def current(self) -> bool:
        """Whether nothing is left to do."""
        return self.at == self.head


@dataclass(frozen=True)
class Upgrade:
    """What was done: from where to where, and the copy that was made first, if any."""

    before: State
    after: State
    copy: Path | None


def state_of(db: Database) -> State:
    """Where ``db`` stands."""
    return State(at=_revisions(db), head=_heads())


def migrate(db: Database, *, data_dir: Path, clock: Clock) -> Upgrade:
    """Run what is missing. A SQLite file that holds something is copied to ``data_dir``/copies first.

    Either all missing revisions are stored or none.
    """
    before = state_of(db)
    if before.current:
        return Upgrade(before, before, None)
    copy = _copy(db, data_dir / "copies", before, clock)
    # Alembic takes a third of a second to import, which only those who migrate should wait for.
    from alembic import command

    command.upgrade(_config(db.url.render_as_string(hide_password=False)), "head")
    return Upgrade(before, state_of(db), copy)


def _config(url: str | None = None) -> Config:
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS))
    config.attributes["url"] = url
    return config


@lru_cache(maxsize=1)
def _heads() -> frozenset[str]:
    from alembic.script import ScriptDirectory

    return frozenset(ScriptDirectory.from_config(_config()).get_heads())


def _revisions(db: Database) -> frozenset[str]:
    with db.reading() as conn:
        if not inspect(conn).has_table(VERSION_TABLE):
            return frozenset()
        return frozenset(conn.execute(text(f"SELECT version_num FROM {VERSION_TABLE}")).scalars())


def _copy(db: Database, folder: Path, before: State, clock: Clock) -> Path | None:
    """A copy made by SQLite itself, so that it is whole even while others write."""
    if db.dialect != "sqlite" or not before.at or db.url.database is None:
        return None
    folder.mkdir(parents=True, exist_ok=True)
    stamp = clock.now().strftime("%Y%m%dT%H%M%SZ")
    target = folder / f"{Path(db.url.database).stem}-{'-'.join(sorted(before.at))}-{stamp}.sqlite3"
    connect = sqlite_module().connect
    with closing(connect(db.url.database)) as source, closing(connect(target)) as copy:
        source.backup(copy)
    return target
