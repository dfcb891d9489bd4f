"""Tables as files: CSV, XLSX and Parquet. No text in them is taken for a formula."""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass
from typing import Any

from api.errors import NotFound, Unavailable

MEDIA: dict[str, str] = {
    "csv": "text/csv; charset=utf-8",
    "xlsx": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
    "parquet": "application/vnd.apache.parquet",
}
Value = str | int | float | None
_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", "\uff1d", "\uff0b", "\uff0d", "\uff20")
"""What a spreadsheet takes a text for a formula by, in half and full width (OWASP, CSV injection)."""


class ParquetMissing(Unavailable):
    """Parquet files need a package that this installation does not have."""

    code = "parquet-missing"
    title = "Parquet is not installed here"


@dataclass(frozen=True, slots=True)
class Table:
    """Numbers to take along."""

    name: str
    """Of the file, without its ending."""
    title: str
    head: tuple[str, ...]
    rows: list[list[Value]]


def write(kind: str, table: Table) -> bytes:
    """A table as a file. Raises NotFound for another kind, ParquetMissing without its package."""
    if kind == "csv":
        return _csv(table)
    if kind == "xlsx":
        return _xlsx(table)
    if kind == "parquet":
        return _parquet(table)
    raise NotFound(f"There is no {kind} of this. Choose csv, xlsx or parquet.")


def _csv(table: Table) -> bytes:
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(table.head)
    writer.writerows([_inert(value) for value in row] for row in table.rows)
    return out.getvalue().encode("utf-8-sig")


def _inert(value: Value) -> Value:
    """A text that a spreadsheet would take for a formula, with an apostrophe before it."""
    return f"'{value}" if isinstance(value, str) and value.startswith(_FORMULA) else value


def _xlsx(table: Table) -> bytes:
    from openpyxl import Workbook
    from openpyxl.cell.cell import ILLEGAL_CHARACTERS_RE

    book = Workbook()
    sheet = book.active
    sheet.title = table.title[:31]
    sheet.append(list(table.head))
    for row in table.rows:
        sheet.append([ILLEGAL_CHARACTERS_RE.sub("", v) if isinstance(v, str) else v for v in row])
    for cells in sheet.iter_rows():
        for cell in cells:
            if isinstance(cell.value, str):
                cell.data_type = "s"
    sheet.freeze_panes = "C2"
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def _parquet(table: Table) -> bytes:
    try:
        import pyarrow
        from pyarrow import parquet
    except ImportError:
        raise ParquetMissing(
            "Parquet files need the package pyarrow. Install it with: pip install 'rimaye[parquet]', "
            "or take the numbers as CSV or XLSX."
        ) from None
    columns: dict[str, list[Any]] = {
        name: [row[at] for row in table.rows] for at, name in enumerate(table.head)
    }
    sink = io.BytesIO()
    parquet.write_table(pyarrow.table(columns), sink)
    return sink.getvalue()
