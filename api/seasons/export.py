"""The review's numbers as files: CSV, XLSX and Parquet. No name and nothing about health is in them."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterable, Sequence
from typing import Any

from api.errors import NotFound, Unavailable
from api.seasons.measures import COVERED, HOLDS, KNOWN
from api.seasons.rules import Rate, Recurrence
from api.seasons.service import Overview

MEDIA: dict[str, str] = {
    "csv": "text/csv; charset=utf-8",
    "xlsx": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
    "parquet": "application/vnd.apache.parquet",
}
Value = str | int | float | None
_FORMULA = ("=", "+", "-", "@", "\t", "\r")


class ParquetMissing(Unavailable):
    """Parquet files need a package that this installation does not have."""

    code = "parquet-missing"
    title = "Parquet is not installed here"


HEAD: tuple[str, ...] = (
    "requirement",
    "item",
    "asked",
    "lacking",
    "share",
    "share_lower",
    "share_upper",
    "drawn_share",
    "drawn_lower",
    "drawn_upper",
    *(f"known_{known}" for known in KNOWN),
    *(f"hold_{hold.replace('-', '_')}" for hold in HOLDS),
    *(f"covered_{covered.replace('-', '_')}" for covered in COVERED),
    "accepted",
    "carried_past",
    "came_back",
    "found_late",
    "forecast_surprise",
    "median_to_clear_h",
    "said_fine_checked",
    "said_fine_wrong",
    "change",
    "change_adjusted_p",
)
"""The columns; shares are 0 to 1, intervals 95 %."""


def rows(found: Overview) -> list[list[Value]]:
    """The table, ranked as on the page."""
    return [_row(found, line) for line in found.lines]


def _row(found: Overview, line: Recurrence) -> list[Value]:
    change = found.changed.get(line.requirement)
    told = line.self_report
    return [
        line.requirement,
        found.items.get(line.requirement, line.requirement),
        line.rate.total,
        line.rate.hits,
        *_shares(line.rate),
        *(_number(part) for part in (line.shrunk, line.shrunk_lower, line.shrunk_upper)),
        *line.known.values(),
        *line.holds.values(),
        *line.covered.values(),
        line.accepted,
        line.carried_past,
        line.came_back,
        line.late,
        line.surprise,
        _number(line.median_clear_h),
        told.total if told else 0,
        told.hits if told else 0,
        change.verdict.value if change else "",
        _number(change.adjusted_p) if change else None,
    ]


def _shares(rate: Rate) -> list[Value]:
    return [_number(part) for part in (rate.share, rate.lower, rate.upper)]


def _number(value: float) -> float | None:
    return value if math.isfinite(value) else None


def write(kind: str, head: Sequence[str], table: Iterable[Sequence[Value]]) -> bytes:
    """A table as a file. Raises NotFound for another kind, ParquetMissing without its package."""
    listed = [list(row) for row in table]
    if kind == "csv":
        return _csv(head, listed)
    if kind == "xlsx":
        return _xlsx(head, listed)
    if kind == "parquet":
        return _parquet(head, listed)
    raise NotFound(f"There is no {kind} of this. Choose csv, xlsx or parquet.")


def _csv(head: Sequence[str], table: list[list[Value]]) -> bytes:
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(head)
    writer.writerows([_inert(value) for value in row] for row in table)
    return out.getvalue().encode("utf-8-sig")


def _inert(value: Value) -> Value:
    """A text that a spreadsheet would take for a formula, with an apostrophe before it."""
    return f"'{value}" if isinstance(value, str) and value.startswith(_FORMULA) else value


def _xlsx(head: Sequence[str], table: list[list[Value]]) -> bytes:
    from openpyxl import Workbook

    book = Workbook()
    sheet = book.active
    sheet.title = "Recurring gaps"
    sheet.append(list(head))
    for row in table:
        sheet.append(row)
    for cells in sheet.iter_rows():
        for cell in cells:
            if isinstance(cell.value, str):
                cell.data_type = "s"
    sheet.freeze_panes = "C2"
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def _parquet(head: Sequence[str], table: list[list[Value]]) -> bytes:
    try:
        import pyarrow
        from pyarrow import parquet
    except ImportError:
        raise ParquetMissing(
            "Parquet files need the package pyarrow. Install it with: pip install 'rimaye[parquet]', "
            "or take the numbers as CSV or XLSX."
        ) from None
    columns: dict[str, list[Any]] = {name: [row[at] for row in table] for at, name in enumerate(head)}
    sink = io.BytesIO()
    parquet.write_table(pyarrow.table(columns), sink)
    return sink.getvalue()
