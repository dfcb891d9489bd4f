"""How migrations reach the database: safely.

On SQLite a column is changed by rebuilding its table, and dropping the old table would delete the rows that
hang on it. So foreign keys are off here, everything runs in one transaction, and they are checked before it
is committed.
"""

from __future__ import annotations

from typing import Any, Literal

from alembic import context
from alembic.autogenerate.api import AutogenContext
from sqlalchemy import Connection, Engine, create_engine, make_url, text
from sqlalchemy.pool import NullPool

from api.columns import JsonText, UtcDateTime
from api.db import POSTGRES_WRITER_KEY, prepare_sqlite, sqlite_module
from api.settings import get_settings
from api.tables import import_all, metadata


def engine() -> Engine:
    """An engine for this one run, without the pools and the foreign keys of the service."""
    url = make_url(context.config.attributes.get("url") or get_settings().database_url)
    if url.get_backend_name() == "postgresql":
        return create_engine(url.set(drivername="postgresql+psycopg"), poolclass=NullPool)
    made = create_engine(url, module=sqlite_module(), poolclass=NullPool)
    prepare_sqlite(made, begin="BEGIN IMMEDIATE", foreign_keys=False)
    return made


def render_item(kind: str, item: Any, _context: AutogenContext) -> str | Literal[False]:
    """Write our column types into revisions as plain ones: a revision must not change when our code does."""
    if kind != "type":
        return False
    if isinstance(item, UtcDateTime):
        return "sa.DateTime(timezone=True)"
    if isinstance(item, JsonText):
        return "sa.Text()"
    if type(item).__name__ == "AutoString":
        return f"sa.String(length={item.length})" if item.length else "sa.String()"
    return False


def partitions(connection: Connection) -> frozenset[str]:
    """Tables that PostgreSQL keeps as parts of another one; they follow it and are not compared."""
    if connection.dialect.name != "postgresql":
        return frozenset()
    parts = text("SELECT relname FROM pg_class WHERE relispartition AND relkind IN ('r', 'p')")
    return frozenset(connection.execute(parts).scalars())


def check_references(connection: Connection) -> None:
    """Refuse to store a migration that leaves a row pointing nowhere."""
    broken = connection.execute(text("PRAGMA foreign_key_check")).fetchall()
    if broken:
        tables = ", ".join(sorted({row[0] for row in broken}))
        raise RuntimeError(
            f"The migration would leave {len(broken)} rows pointing nowhere, in {tables}; nothing was changed"
        )


def run() -> None:
    """Run the revisions that are missing, all or none."""
    import_all()
    made = engine()
    sqlite = made.dialect.name == "sqlite"
    with made.connect() as connection:
        parts = partitions(connection)
        connection.rollback()
        context.configure(
            connection=connection,
            target_metadata=metadata,
            render_as_batch=True,
            render_item=render_item,
            include_name=lambda name, kind, _parents: kind != "table" or name not in parts,
            transactional_ddl=True,
        )
        with context.begin_transaction():
            if not sqlite:
                connection.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": POSTGRES_WRITER_KEY})
            context.run_migrations()
            if sqlite:
                check_references(connection)
    made.dispose()


if context.is_offline_mode():
    raise SystemExit("Migrations look at the database before they change it: there is no offline mode.")
run()
