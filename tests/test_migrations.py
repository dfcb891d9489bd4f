"""Migrations: complete, all or none, and safe for rows that hang on a table that is rebuilt."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
from alembic import command
from alembic.config import Config
from sqlalchemy import text

from api import upgrade
from api.clock import FixedClock
from api.db import Database, sqlite_module
from api.tables import import_all, metadata

SOURCE = Path(upgrade.__file__).resolve().parent.parent

FIRST = """
    revision, down_revision, branch_labels, depends_on = "t1", None, None, None

    def upgrade():
        op.create_table(
            "test_trips",
            sa.Column("id", sa.Integer, primary_key=True),
            sa.Column("name", sa.String(40), nullable=False),
        )
        op.create_table(
            "test_stages",
            sa.Column("id", sa.Integer, primary_key=True),
            sa.Column(
                "trip",
                sa.Integer,
                sa.ForeignKey("test_trips.id", ondelete="CASCADE", name="fk_trip"),
                nullable=False,
            ),
        )
"""
REBUILDS = """
    revision, down_revision, branch_labels, depends_on = "t2", "t1", None, None

    def upgrade():
        with op.batch_alter_table("test_trips") as trips:
            trips.alter_column("name", type_=sa.String(200), existing_type=sa.String(40), nullable=False)
            trips.add_column(sa.Column("peak", sa.String(40)))
"""
FAILS_AT_THE_END = """
    revision, down_revision, branch_labels, depends_on = "t2", "t1", None, None

    def upgrade():
        op.add_column("test_trips", sa.Column("peak", sa.String(40)))
        op.execute("UPDATE test_trips SET name = 'half-done'")
        op.execute("INSERT INTO test_nowhere VALUES (1)")
"""
LEAVES_ROWS_POINTING_NOWHERE = """
    revision, down_revision, branch_labels, depends_on = "t2", "t1", None, None

    def upgrade():
        op.execute("DELETE FROM test_trips")
"""


def write(folder: Path, name: str, body: str) -> None:
    heading = "import sqlalchemy as sa\nfrom alembic import op\n"
    (folder / "versions" / f"{name}.py").write_text(heading + textwrap.dedent(body))


@pytest.fixture
def revisions(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """Our own env.py, with revisions of the test's beside it."""
    folder = tmp_path / "migrations"
    (folder / "versions").mkdir(parents=True)
    for name in ("env.py", "script.py.mako"):
        (folder / name).write_text((upgrade.MIGRATIONS / name).read_text())
    monkeypatch.setattr(upgrade, "MIGRATIONS", folder)
    upgrade._heads.cache_clear()
    yield folder
    upgrade._heads.cache_clear()


@pytest.fixture
def filled(revisions: Path, empty: Database, tmp_path: Path, clock: FixedClock) -> Database:
    """A database at the first revision that holds a trip and a stage of it."""
    write(revisions, "t1", FIRST)
    upgrade.migrate(empty, data_dir=tmp_path, clock=clock)
    with empty.writing() as work:
        work.execute(text("INSERT INTO test_trips (id, name) VALUES (1, 'Dent')"))
        work.execute(text("INSERT INTO test_stages (id, trip) VALUES (1, 1), (2, 1)"))
    return empty


@pytest.fixture
def empty(database: Database) -> Database:
    """A database on which no migration has run."""
    with database.writing() as work:
        if database.dialect == "sqlite":
            names = work.execute(text("SELECT name FROM sqlite_master WHERE type = 'table'")).scalars().all()
            work.execute(text("PRAGMA defer_foreign_keys = ON"))
            for name in names:
                work.execute(text(f'DROP TABLE "{name}"'))
        else:
            work.execute(text("DROP SCHEMA public CASCADE"))
            work.execute(text("CREATE SCHEMA public"))
    return database


def count(db: Database, table: str) -> int:
    with db.reading() as conn:
        return int(conn.execute(text(f"SELECT count(*) FROM {table}")).scalar_one())


def test_the_revisions_make_exactly_the_tables_of_the_code(database: Database) -> None:
    """`alembic check` on both databases: no table, column, key or index differs."""
    config = Config()
    config.set_main_option("script_location", str(SOURCE / "migrations"))
    config.attributes["url"] = database.url.render_as_string(hide_password=False)
    command.check(config)


def test_every_constraint_has_a_name_so_that_a_migration_can_find_it() -> None:
    import_all()
    unnamed = [
        f"{table.name}: {type(constraint).__name__}"
        for table in metadata.tables.values()
        for constraint in table.constraints
        if constraint.name is None
    ]
    assert unnamed == []


def test_a_rebuilt_table_keeps_the_rows_that_hang_on_it(
    filled: Database, revisions: Path, tmp_path: Path, clock: FixedClock
) -> None:
    write(revisions, "t2", REBUILDS)
    upgrade._heads.cache_clear()
    done = upgrade.migrate(filled, data_dir=tmp_path, clock=clock)
    assert done.after.current
    assert (count(filled, "test_trips"), count(filled, "test_stages")) == (1, 2)
    with filled.reading() as conn:
        assert conn.execute(text("SELECT name, peak FROM test_trips")).all() == [("Dent", None)]


def test_a_migration_that_fails_leaves_everything_as_it_was(
    filled: Database, revisions: Path, tmp_path: Path, clock: FixedClock
) -> None:
    write(revisions, "t2", FAILS_AT_THE_END)
    upgrade._heads.cache_clear()
    with pytest.raises(Exception, match="test_nowhere"):
        upgrade.migrate(filled, data_dir=tmp_path, clock=clock)
    assert upgrade.state_of(filled).at == {"t1"}
    with filled.reading() as conn:
        assert conn.execute(text("SELECT * FROM test_trips")).mappings().all() == [{"id": 1, "name": "Dent"}]


@pytest.mark.one_database
def test_a_migration_that_would_leave_rows_pointing_nowhere_is_undone(
    filled: Database, revisions: Path, tmp_path: Path, clock: FixedClock
) -> None:
    write(revisions, "t2", LEAVES_ROWS_POINTING_NOWHERE)
    upgrade._heads.cache_clear()
    with pytest.raises(RuntimeError, match="2 rows pointing nowhere, in test_stages; nothing was changed"):
        upgrade.migrate(filled, data_dir=tmp_path, clock=clock)
    assert (count(filled, "test_trips"), count(filled, "test_stages")) == (1, 2)


@pytest.mark.one_database
def test_a_file_that_holds_something_is_copied_first(
    filled: Database, revisions: Path, tmp_path: Path, clock: FixedClock
) -> None:
    write(revisions, "t2", REBUILDS)
    upgrade._heads.cache_clear()
    done = upgrade.migrate(filled, data_dir=tmp_path, clock=clock)
    assert done.copy is not None
    assert done.copy.name.endswith("-t1-20260714T043000Z.sqlite3")
    with closing(sqlite_module().connect(done.copy)) as copy:
        assert copy.execute("SELECT name FROM test_trips").fetchall() == [("Dent",)]
        assert copy.execute("PRAGMA integrity_check").fetchone() == ("ok",)


def test_running_it_again_does_nothing(filled: Database, tmp_path: Path, clock: FixedClock) -> None:
    again = upgrade.migrate(filled, data_dir=tmp_path, clock=clock)
    assert again.before == again.after
    assert again.copy is None
