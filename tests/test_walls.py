"""Rules of the house that a linter does not know; the walls between rooms are in pyproject.toml."""

from __future__ import annotations

import ast
import textwrap
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
SOURCES = sorted([*ROOT.glob("api/**/*.py"), *ROOT.glob("web/**/*.py"), *ROOT.glob("seeds/**/*.py")])

LONGEST_FILE = 400
LONG_FOR_A_REASON: dict[str, str] = {
    "api/access/queries.py": "all SQL of the room, one short question each",
    "api/journal/store.py": "appending to, reading and proving one table, in one place",
    "tests/science/test_clothing.py": "the slow reference stands beside what is held against it",
    "api/kitlist/schemas.py": "the whole shape of an edition, read from top to bottom",
    "api/journal/kinds.py": "every kind of entry side by side, one short body each",
}
"""Files past the limit, each with a reason that a newcomer would accept."""

HOLDS_SQL = ("queries.py", "models.py")
SQL_BESIDES = {
    "api/journal/store.py": "the journal's own store",
    "api/journal/tick.py": "SQLite's change counter; asks for no rows",
    "api/db.py": "begins units of work",
    "api/columns.py": "column types",
    "api/journal/live.py": "listens for the bell that PostgreSQL rings; asks for no rows",
    "api/upgrade.py": "asks at which revision a database stands",
    "api/health.py": "asks whether the database answers",
    "api/tables.py": "collects the tables",
}
SQL_WORDS = {"select", "insert", "update", "delete", "text", "exec_driver_sql"}

READS_THE_CLOCK = {
    ("datetime", "now"),
    ("datetime", "utcnow"),
    ("datetime", "today"),
    ("date", "today"),
    ("time", "time"),
    ("time", "time_ns"),
    ("time", "monotonic"),
    ("time", "perf_counter"),
    ("time", "perf_counter_ns"),
    ("time", "localtime"),
    ("time", "gmtime"),
}

PURE = ("rules.py", "fold.py", "asks.py", "lacks.py", "findings.py", "tipping.py")
IMPURE_MODULES = {"sqlalchemy", "sqlmodel", "fastapi", "starlette", "httpx", "httpx2", "os", "time", "random"}


@dataclass(frozen=True)
class Breach:
    file: str
    line: int
    what: str


Rule = Callable[[str, ast.AST], Iterator[Breach]]


def sql_outside_queries(file: str, tree: ast.AST) -> Iterator[Breach]:
    """SQL is written in queries.py and the journal's store, tables in models.py, and nowhere else."""
    if file in SQL_BESIDES or Path(file).name in HOLDS_SQL:
        return
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and (node.module or "").split(".")[0] in (
            "sqlalchemy",
            "sqlmodel",
        ):
            for name in node.names:
                if name.name in SQL_WORDS:
                    yield Breach(file, node.lineno, f"imports {name.name} from {node.module}")
        elif isinstance(node, ast.Attribute) and node.attr in ("execute", "scalars", "exec_driver_sql"):
            yield Breach(file, node.lineno, f"calls .{node.attr}")


def clock_outside_clock(file: str, tree: ast.AST) -> Iterator[Breach]:
    """The time is read in clock.py only."""
    if file == "api/clock.py":
        return
    for node in ast.walk(tree):
        if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name | ast.Attribute):
            owner = node.value.id if isinstance(node.value, ast.Name) else node.value.attr
            if (owner, node.attr) in READS_THE_CLOCK:
                yield Breach(file, node.lineno, f"reads {owner}.{node.attr}")
        elif isinstance(node, ast.ImportFrom) and node.module == "time":
            yield Breach(file, node.lineno, "imports from time")


def commit_outside_db(file: str, tree: ast.AST) -> Iterator[Breach]:
    """Units of work are committed and undone by db.py only."""
    if file == "api/db.py":
        return
    for node in ast.walk(tree):
        if (
            isinstance(node, ast.Call)
            and isinstance(node.func, ast.Attribute)
            and node.func.attr in ("commit", "rollback")
        ):
            yield Breach(file, node.lineno, f"calls .{node.func.attr}()")


def waiting_in_routes(file: str, tree: ast.AST) -> Iterator[Breach]:
    """Routes declare Reading or Writing; one that waits for its turn inside keeps a thread from others."""
    if Path(file).name != "routes.py" and not file.startswith("web/pages/"):
        return
    for node in ast.walk(tree):
        if (
            isinstance(node, ast.Call)
            and isinstance(node.func, ast.Attribute)
            and node.func.attr in ("writing", "reading")
        ):
            yield Breach(file, node.lineno, f"calls .{node.func.attr}()")


def impure_rules(file: str, tree: ast.AST) -> Iterator[Breach]:
    """Rules compute, apart from databases, the web, the clock and chance."""
    if not (file.startswith("api/science/") or (file.startswith("api/") and Path(file).name in PURE)):
        return
    for node in ast.walk(tree):
        names = [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
        if isinstance(node, ast.ImportFrom) and not node.level:
            names = [node.module or ""]
        for name in names:
            if name.split(".")[0] in IMPURE_MODULES:
                yield Breach(file, node.lineno, f"imports {name}")


def swallowed_errors(file: str, tree: ast.AST) -> Iterator[Breach]:
    """Nothing is caught and forgotten."""
    for node in ast.walk(tree):
        if isinstance(node, ast.ExceptHandler):
            broad = node.type is None or (
                isinstance(node.type, ast.Name) and node.type.id in ("Exception", "BaseException")
            )
            if broad and all(isinstance(item, ast.Pass | ast.Continue) for item in node.body):
                yield Breach(file, node.lineno, "catches everything and goes on")


RULES: list[Rule] = [
    sql_outside_queries,
    clock_outside_clock,
    commit_outside_db,
    waiting_in_routes,
    impure_rules,
    swallowed_errors,
]


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.__name__)
def test_the_house_keeps_its_rules(rule: Rule) -> None:
    breaches = [
        breach
        for file in SOURCES
        for breach in rule(file.relative_to(ROOT).as_posix(), ast.parse(file.read_text(encoding="utf-8")))
    ]
    assert not breaches, "\n".join(f"{b.file}:{b.line} {b.what}" for b in breaches) + f"\n{rule.__doc__}"


BREACHES = [
    (sql_outside_queries, "api/roster/service.py", "from sqlalchemy import select"),
    (sql_outside_queries, "api/roster/routes.py", "def f(conn): conn.execute(1)"),
    (clock_outside_clock, "api/roster/service.py", "import datetime\nx = datetime.datetime.now()"),
    (clock_outside_clock, "api/roster/rules.py", "from datetime import date\nx = date.today()"),
    (clock_outside_clock, "web/words.py", "from time import monotonic"),
    (commit_outside_db, "api/roster/service.py", "def f(work): work.commit()"),
    (waiting_in_routes, "api/roster/routes.py", "def f(db):\n    with db.writing() as work: pass"),
    (waiting_in_routes, "web/pages/board.py", "def f(db):\n    with db.reading() as conn: pass"),
    (impure_rules, "api/readiness/tipping.py", "import os.path"),
    (impure_rules, "api/science/cold.py", "from random import random"),
    (swallowed_errors, "api/roster/service.py", "try:\n    x = 1\nexcept Exception:\n    pass"),
]


@pytest.mark.parametrize(("rule", "file", "source"), BREACHES)
def test_each_rule_finds_what_it_forbids(rule: Rule, file: str, source: str) -> None:
    assert len(list(rule(file, ast.parse(textwrap.dedent(source))))) == 1


def test_files_are_short_or_long_for_a_reason() -> None:
    lengths = {
        file.relative_to(ROOT).as_posix(): len(file.read_text(encoding="utf-8").splitlines())
        for file in [*SOURCES, *sorted(ROOT.glob("tests/**/*.py"))]
    }
    long = {name: length for name, length in lengths.items() if length > LONGEST_FILE}
    unexplained = {name: length for name, length in long.items() if name not in LONG_FOR_A_REASON}
    assert not unexplained, f"Split these, or say in LONG_FOR_A_REASON why not: {unexplained}"
    assert set(LONG_FOR_A_REASON) <= set(long), "These are short by now: take them off the list."


def test_no_table_is_a_wire_class() -> None:
    """What is stored and what is sent change for different reasons, and a table does not validate."""
    breaches = []
    for file in SOURCES:
        name = file.relative_to(ROOT).as_posix()
        if Path(name).name not in ("schemas.py", "routes.py"):
            continue
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ImportFrom) and (node.module or "").endswith(".models"):
                breaches.append(f"{name}:{node.lineno} imports from {node.module}")
    assert not breaches, "\n".join(breaches)


def test_every_module_says_what_it_is_for() -> None:
    silent = [
        file.relative_to(ROOT).as_posix()
        for file in SOURCES
        if not ast.get_docstring(ast.parse(file.read_text(encoding="utf-8")))
    ]
    assert silent == []
