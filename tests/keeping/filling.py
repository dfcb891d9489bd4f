"""A database with something in every table: the demo's journals, and made-up rows everywhere else."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import Any

from sqlalchemy import Boolean, Column, Date, Enum, Float, Integer, LargeBinary, Table, insert, select

from api.columns import JsonText, UtcDateTime
from api.db import Database, Work
from api.keeping.move import tables
from seeds import loading

FROM_THE_DEMO = ("outfit", "trip", "journal_entry", "trip_member")
ROWS = 3
AT = datetime(2026, 7, 14, 4, 30, 0, 123456, UTC)
TEXT = 'größer ‘so’ \u2028 \U0001f9d7 \\ " % :name'


def fill(db: Database) -> None:
    """Put the demo in, and rows of our own into every table that it leaves empty."""
    loading.seed(db)
    with db.writing() as work:
        for table in tables():
            if table.name not in FROM_THE_DEMO and work.execute(select(table).limit(1)).first() is None:
                key = [column.name for column in table.primary_key]
                rows = [row_of(work, table, number) for number in range(ROWS)]
                # Some keys are all of another table's, which may have fewer rows.
                work.execute(
                    insert(table), list({tuple(row[name] for name in key): row for row in rows}.values())
                )


def row_of(work: Work, table: Table, number: int) -> dict[str, Any]:
    row = {column.name: _value(column, number) for column in table.columns}
    for rule in table.foreign_key_constraints:
        parent = rule.elements[0].column.table
        there = work.execute(select(parent).order_by(*parent.primary_key)).all()
        chosen = there[min(number, len(there) - 1)]._mapping
        row |= {each.parent.name: chosen[each.column.name] for each in rule.elements}
    return row


def _value(column: Column[Any], number: int) -> Any:
    if column.nullable and number == 1:
        return None
    kind = column.type
    match kind:
        case Enum():
            members = list(kind.enum_class) if kind.enum_class else kind.enums
            return members[number % len(members)]
        case Boolean():
            return bool(number % 2)
        case JsonText():
            return {"b": [number, 1.5, None], "a": TEXT}
        case UtcDateTime():
            return AT + timedelta(days=number)
        case Date():
            return date(2026, 7, 14) + timedelta(days=number)
        case LargeBinary():
            return bytes(range(256)) * (number + 1)
        case Float():
            return 0.1 + number
        case Integer():
            return number
        case _:
            return f"{table_mark(column)}{number} {TEXT}"


def table_mark(column: Column[Any]) -> str:
    """A text that says where a value came from, should one turn up in another place."""
    return f"{column.table.name}.{column.name}-"
