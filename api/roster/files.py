"""Roster files: bytes to cells. Every limit and every guess is told in words.

CSV is read in UTF-8, UTF-16 or Windows-1252, with comma, semicolon or tab. XLSX is read through openpyxl,
values only: formulas and macros are never run. A file that is too large, not what it seems, or made to do
harm is refused before it is unpacked.
"""

from __future__ import annotations

import codecs
import csv
import io
import zipfile
from collections.abc import Iterator, Sequence
from datetime import date, datetime, time
from typing import Any

from api.errors import Invalid
from api.roster.columns import known_headers
from api.roster.proposals import Table, TableRow
from api.roster.text import unguarded

MAX_FILE_BYTES = 2 * 1024 * 1024
MAX_ROWS = 500
"""Most rows with something in them, the header included."""
MAX_ROW_NUMBER = 10_000
MAX_COLUMNS = 60
MAX_CELL_CHARS = 5_000
MAX_TOTAL_CHARS = 300_000
MAX_UNPACKED_BYTES = 12 * 1024 * 1024
MAX_PARTS = 200

_SEPARATORS = (",", ";", "\t")
_OLD_OFFICE = bytes.fromhex("d0cf11e0a1b11ae1")


class UnreadableFile(Invalid):
    """A roster file that cannot be read, is too large, or carries what a roster does not need."""

    code = "unreadable-file"
    title = "This file cannot be read"


def _refuse(name: str, message: str, remedy: str) -> UnreadableFile:
    return UnreadableFile.field("file", name, message, remedy)  # type: ignore[return-value]


def read_table(content: bytes, name: str = "") -> Table:
    """The cells of a roster file.

    Parameters
    ----------
    content
        The file's bytes, at most ``MAX_FILE_BYTES``. What it is, is told from its content, not from its name.
    name
        The file's name, for messages.

    Raises
    ------
    UnreadableFile
        With what is wrong and what to do about it.
    """
    name = name or "the file"
    if not content:
        raise _refuse(name, "The file is empty.", "Choose the file again; export it anew if it stays empty.")
    if len(content) > MAX_FILE_BYTES:
        raise _refuse(
            name,
            f"The file has {len(content):,} bytes; at most {MAX_FILE_BYTES:,} are accepted.",
            "Keep only the roster in it: no pictures, one sheet, one row a person.",
        )
    if content.startswith(_OLD_OFFICE):
        raise _refuse(
            name,
            "This is an old Excel workbook (.xls) or one locked with a password.",
            "Save it as .xlsx without a password, or as CSV.",
        )
    if content.startswith((b"PK\x03\x04", b"PK\x05\x06")):
        return _read_xlsx(content, name)
    return _read_csv(content, name)


# -- CSV


def _read_csv(content: bytes, name: str) -> Table:
    text, notices = _decoded(content, name)
    separator, body = _separator(text)
    rows: list[TableRow] = []
    reader = csv.reader(io.StringIO(body, newline=""), delimiter=separator, strict=True)
    limits = _Limits(name)
    offset = text.count("\n") - body.count("\n")
    number = offset
    try:
        for cells in reader:
            number += 1
            if any(cell.strip() for cell in cells):
                rows.append(limits.row(number, [unguarded(cell) for cell in cells]))
    except csv.Error as error:
        raise _refuse(
            name,
            f"Line {reader.line_num + offset} cannot be read: {error}.",
            'Check the quotes there: a value with quotes in it is written "like ""this""".',
        ) from error
    return Table(tuple(rows), tuple(notices))


def _decoded(content: bytes, name: str) -> tuple[str, list[str]]:
    for bom, encoding in (
        (codecs.BOM_UTF8, "utf-8-sig"),
        (codecs.BOM_UTF16_LE, "utf-16"),
        (codecs.BOM_UTF16_BE, "utf-16"),
    ):
        if content.startswith(bom):
            return _strictly(content, encoding, name), []
    sample = content[:4096]
    if b"\x00" in sample:
        guess = _utf16_guess(sample)
        if guess is None:
            raise _not_text(name)
        return _strictly(content, guess, name), []
    try:
        return _plain(content.decode("utf-8"), name), []
    except UnicodeDecodeError:
        text = _strictly(content, "cp1252", name)
        notice = (
            "The file is not in UTF-8; it was read as Windows-1252. Check names with accents below. "
            "To be sure, save it again as 'CSV UTF-8'."
        )
        return text, [notice]


def _utf16_guess(sample: bytes) -> str | None:
    """UTF-16 without a mark: Latin text has a zero in nearly every other byte."""
    even, odd = sample[0::2].count(0), sample[1::2].count(0)
    half = len(sample) // 2
    if odd > half * 0.6 and even < half * 0.1:
        return "utf-16-le"
    if even > half * 0.6 and odd < half * 0.1:
        return "utf-16-be"
    return None


def _strictly(content: bytes, encoding: str, name: str) -> str:
    try:
        return _plain(content.decode(encoding), name)
    except UnicodeDecodeError as error:
        raise _not_text(name) from error


def _plain(text: str, name: str) -> str:
    if "\x00" in text:
        raise _not_text(name)
    return text


def _not_text(name: str) -> UnreadableFile:
    return _refuse(
        name,
        "This is neither a CSV file nor an XLSX workbook.",
        "Export the roster as CSV UTF-8 or as .xlsx.",
    )


def _separator(text: str) -> tuple[str, str]:
    """The separator, and the text without a first line that only names it."""
    first, _, rest = text.partition("\n")
    named = first.strip().lower()
    if named.startswith("sep=") and len(named) <= 5:
        return (first.strip()[4:] or "\t"), rest
    lines = [line for line in text.splitlines() if line.strip()][:10]

    def fitness(separator: str) -> tuple[int, int]:
        parsed = [_cells(line, separator) for line in lines]
        return max((known_headers(cells) for cells in parsed), default=0), max(map(len, parsed), default=0)

    return max(_SEPARATORS, key=fitness), text


def _cells(line: str, separator: str) -> list[str]:
    try:
        return next(csv.reader([line], delimiter=separator), [])
    except csv.Error:
        return line.split(separator)


class _Limits:
    """Counts what a file brings, and refuses more than a roster needs."""

    def __init__(self, name: str) -> None:
        self._name = name
        self._rows = 0
        self._chars = 0

    def row(self, number: int, cells: Sequence[str]) -> TableRow:
        kept = list(cells)
        while kept and not kept[-1].strip():
            kept.pop()
        self._rows += 1
        self._chars += sum(map(len, kept))
        longest = max(map(len, kept), default=0)
        if self._rows > MAX_ROWS or number > MAX_ROW_NUMBER:
            raise _refuse(
                self._name,
                f"The file has more than {MAX_ROWS} rows.",
                "A roster has one row a person; keep only the rows of this trip.",
            )
        if len(kept) > MAX_COLUMNS:
            raise _refuse(
                self._name,
                f"Row {number} has {len(kept)} columns; at most {MAX_COLUMNS} are read.",
                "Keep only the columns of the roster.",
            )
        if longest > MAX_CELL_CHARS or self._chars > MAX_TOTAL_CHARS:
            raise _refuse(
                self._name,
                f"Up to row {number} the file holds more text than a roster needs.",
                f"Keep a cell under {MAX_CELL_CHARS:,} characters and the whole under {MAX_TOTAL_CHARS:,}.",
            )
        return TableRow(number, tuple(kept))


# -- XLSX


def _read_xlsx(content: bytes, name: str) -> Table:
    _inspect_archive(content, name)
    import openpyxl  # 0.16 s to load, and only needed here

    books: list[Any] = []
    try:
        for values_only in (True, False):
            books.append(
                openpyxl.load_workbook(
                    io.BytesIO(content), read_only=True, data_only=values_only, keep_links=False
                )
            )
        values, formulas = books
        sheet = _first_sheet(values, name)
        notices = _sheet_notices(values, sheet.title)
        rows, faults = _sheet_rows(sheet, formulas[sheet.title], name)
    except UnreadableFile:
        raise
    except Exception as error:
        # openpyxl raises whatever its parsers meet in a damaged file; all of it means the same to the reader.
        raise _refuse(
            name,
            "The workbook is damaged or not a plain .xlsx file.",
            "Open it in a spreadsheet program, save it as .xlsx or CSV, and choose it again.",
        ) from error
    finally:
        for book in books:
            book.close()
    return Table(tuple(rows), tuple(notices), faults)


def _inspect_archive(content: bytes, name: str) -> None:
    """Refuse archives made to swell, carry macros or smuggle entities, before anything parses them."""
    try:
        archive = zipfile.ZipFile(io.BytesIO(content))
    except (zipfile.BadZipFile, ValueError, OSError) as error:
        raise _damaged(name) from error
    parts = archive.infolist()
    names = {part.filename for part in parts}
    if any(part.flag_bits & 0x1 for part in parts):
        raise _refuse(name, "The workbook is locked with a password.", "Save it without a password.")
    if "[Content_Types].xml" not in names or not any(part.startswith("xl/") for part in names):
        raise _refuse(name, "This archive is not an XLSX workbook.", "Save the roster as .xlsx or as CSV.")
    if any(part.lower().endswith("vbaproject.bin") for part in names):
        raise _refuse(
            name,
            "The workbook carries macros, which a roster does not need.",
            "Save it as .xlsx, without macros.",
        )
    if len(parts) > MAX_PARTS or sum(part.file_size for part in parts) > MAX_UNPACKED_BYTES:
        raise _refuse(
            name,
            f"Unpacked, the workbook has more than {MAX_UNPACKED_BYTES // 1024 // 1024} MB.",
            "Copy the roster alone into a new workbook and save that.",
        )
    for part in parts:
        if part.filename.lower().endswith((".xml", ".rels")):
            _inspect_part(archive, part, name)


def _damaged(name: str) -> UnreadableFile:
    return _refuse(name, "The workbook is damaged.", "Save it again as .xlsx and choose it anew.")


def _inspect_part(archive: zipfile.ZipFile, part: zipfile.ZipInfo, name: str) -> None:
    try:
        # What is unpacked never exceeds the size the archive states, which was counted before.
        xml = archive.read(part)
    except Exception as error:  # zipfile, zlib, lzma and struct errors have no common base
        raise _damaged(name) from error
    wide = xml.replace(b"\x00", b"") if b"\x00" in xml else xml
    if b"<!DOCTYPE" in wide or b"<!ENTITY" in wide:
        raise _refuse(
            name,
            "The workbook declares entities, which no spreadsheet program writes.",
            "Copy the roster into a new workbook and save that.",
        )


def _first_sheet(book: Any, name: str) -> Any:
    for sheet in book.worksheets:
        if sheet.sheet_state == "visible":
            return sheet
    raise _refuse(name, "The workbook has no visible sheet with cells.", "Put the roster on the first sheet.")


def _sheet_notices(book: Any, title: str) -> list[str]:
    others = [sheet.title for sheet in book.worksheets if sheet.title != title]
    if not others:
        return []
    return [f"Only the first visible sheet, “{title}”, was read. Not read: {', '.join(others)[:200]}."]


def _sheet_rows(values: Any, formulas: Any, name: str) -> tuple[list[TableRow], dict[tuple[int, int], str]]:
    limits = _Limits(name)
    rows: list[TableRow] = []
    faults: dict[tuple[int, int], str] = {}
    for sheet in (values, formulas):
        sheet.reset_dimensions()  # what a file says about its own size is not to be believed
    pairs = zip(_numbered(values, name), _numbered(formulas, name), strict=False)
    for (number, cells), (_, written) in pairs:
        texts = [unguarded(_text(cell)) for cell in cells]
        for index, source in enumerate(written):
            if index < len(texts) and not texts[index] and _is_formula(source):
                faults[number, index] = "The cell holds a formula without a stored result."
                texts[index] = str(source)[:80] if isinstance(source, str) else "=…"
            elif index < len(texts) and texts[index].startswith("#") and _is_formula(source):
                faults[number, index] = "The formula in this cell gives an error."
        if any(text.strip() for text in texts):
            rows.append(limits.row(number, texts))
    return rows, faults


def _numbered(sheet: Any, name: str) -> Iterator[tuple[int, tuple[Any, ...]]]:
    for number, cells in enumerate(sheet.iter_rows(values_only=True), start=1):
        if number > MAX_ROW_NUMBER:
            raise _refuse(
                name,
                f"The sheet goes on beyond row {MAX_ROW_NUMBER:,}.",
                "A roster has one row a person; delete the rows below it, formatted empty ones too.",
            )
        yield number, cells


def _is_formula(source: object) -> bool:
    if isinstance(source, str):
        return source.startswith("=")
    return source is not None and not isinstance(source, int | float | bool | date | time)


def _text(value: object) -> str:
    """A cell as a person reads it: 3 and not 3.0, 2026-09-12 and not a serial number."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return str(int(value)) if value.is_integer() and abs(value) < 1e15 else repr(value)
    if isinstance(value, datetime):
        return value.date().isoformat() if value.time() == time(0) else value.isoformat(" ", "minutes")
    if isinstance(value, date | time):
        return value.isoformat()
    return str(value)
