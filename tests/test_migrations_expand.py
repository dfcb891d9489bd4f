"""Migrations run beside the version before: they add, and what it reads and writes goes on working.

What is taken away is taken away by a migration whose name ends in `_contract`, a version later.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from alembic import command
from alembic.config import Config
from alembic.script import ScriptDirectory
from sqlalchemy import Column, MetaData, Table, create_engine, insert, inspect, select

from api.db import Database, sqlite_module
from api.keeping.move import tables
from api.upgrade import MIGRATIONS
from tests.keeping.filling import row_of

NARROWS = re.compile(
    r"\b(DROP|RENAME|TRUNCATE|DELETE|NOT NULL|(ALTER|MODIFY) COLUMN \w+ (TYPE|SET NOT))", re.I
)


def takes_away(source: str) -> Iterator[str]:
    """What the upgrade of a migration does that the version before would notice."""
    tree = ast.parse(source)
    for function in tree.body:
        if isinstance(function, ast.FunctionDef) and function.name == "downgrade":
            continue
        for node in ast.walk(function):
            if not (isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute)):
                continue
            name = node.func.attr
            if name == "drop_index":
                continue  # without it the version before is slower, and nothing else
            if name.startswith(("drop_", "rename_")) or name in ("alter_column", "batch_alter_table"):
                yield f"line {node.lineno}: {name}"
            elif name == "add_column" and "nullable=False" in ast.unparse(node):
                if "server_default" not in ast.unparse(node):
                    yield f"line {node.lineno}: a column that the version before does not fill"
            elif name in ("create_unique_constraint", "create_check_constraint", "create_foreign_key"):
                yield f"line {node.lineno}: {name}"
            elif name == "execute" and NARROWS.search(ast.unparse(node)):
                yield f"line {node.lineno}: {ast.unparse(node)[:60]}"


def test_migrations_only_add() -> None:
    found = {
        file.name: list(takes_away(file.read_text(encoding="utf-8")))
        for file in sorted((MIGRATIONS / "versions").glob("*.py"))
        if not file.stem.endswith("_contract")
    }
    assert {name: what for name, what in found.items() if what} == {}


@pytest.mark.parametrize(
    "line",
    [
        'op.drop_column("trip", "name")',
        'op.rename_table("trip", "climb")',
        'op.alter_column("trip", "name", nullable=False)',
        'op.execute("ALTER TABLE trip DROP COLUMN name")',
        'op.execute("ALTER TABLE trip RENAME COLUMN name TO title")',
        'op.add_column("trip", sa.Column("peak", sa.Text(), nullable=False))',
        'op.create_unique_constraint("uq_name", "trip", ["name"])',
    ],
)
def test_one_that_takes_something_away_is_noticed(line: str) -> None:
    assert len(list(takes_away(f"def upgrade():\n    {line}\n"))) == 1
    assert not list(takes_away(f"def downgrade():\n    {line}\n"))


def columns_by_revision(url: str) -> dict[str, dict[str, set[str]]]:
    """What tables and columns each revision has, the oldest first; leaves the database at the newest."""
    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS))
    config.attributes["url"] = url
    revisions = [each.revision for each in ScriptDirectory.from_config(config).walk_revisions()][::-1]
    found = {}
    engine = create_engine(url, module=sqlite_module())
    for revision in revisions:
        command.upgrade(config, revision)
        with engine.connect() as conn:
            seen = inspect(conn)
            found[revision] = {
                name: {column["name"] for column in seen.get_columns(name)} for name in seen.get_table_names()
            }
    engine.dispose()
    return found


def test_what_any_version_before_writes_and_reads_works_on_the_newest_tables(tmp_path: Path) -> None:
    """Each version names the columns that it knows, and no others, as its code does."""
    url = f"sqlite:///{tmp_path / 'beside.sqlite3'}"
    known = columns_by_revision(url)
    db = Database(url)
    written = 0
    for revision, theirs in known.items():
        with pytest.raises(Undone), db.writing() as work:
            for table in tables():
                if table.name not in theirs:
                    continue
                before = Table(
                    table.name,
                    MetaData(),
                    *(Column(c.name, c.type) for c in table.columns if c.name in theirs[table.name]),
                )
                row = row_of(work, table, 0)
                sent = {column.name: row[column.name] for column in before.columns}
                work.execute(insert(before), sent)
                assert work.execute(select(before)).one()._mapping == sent, (revision, table.name)
                written += 1
            raise Undone
    db.close()
    assert written > len(tables())


class Undone(Exception):
    """Ends a unit of work that is not to be kept."""
