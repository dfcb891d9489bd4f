"""A roster as a file. What is written here reads back to the same roster; no cell is taken for a formula."""

from __future__ import annotations

import codecs
import csv
import io
from collections.abc import Iterable, Sequence

from api.journal.trip import MemberProfile, Role, RopeTeam
from api.roster.columns import SIZE_PREFIX
from api.roster.text import guarded

CSV_TYPE = "text/csv; charset=utf-8"
XLSX_TYPE = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"

_FIELDS = ("id", "name", "role", "rope", "order", "contact", "language", "about")
_ROLE_WORDS = {Role.LEAD: "lead guide", Role.ASSISTANT: "assistant guide", Role.CLIMBER: "climber"}


def roster_rows(
    people: Iterable[tuple[str, MemberProfile]], ropes: Sequence[RopeTeam]
) -> tuple[list[str], list[list[str]]]:
    """Header and rows of an export: people in rope order, those without a rope after them."""
    profiles = dict(people)
    place = {member: (rope, number) for rope in ropes for number, member in enumerate(rope.members, start=1)}
    order = [member for rope in ropes for member in rope.members if member in profiles]
    order += [member for member in profiles if member not in place]
    sizes = sorted({what for profile in profiles.values() for what in profile.sizes})
    header = [*_FIELDS, *(SIZE_PREFIX + what for what in sizes)]
    rows = []
    for member in order:
        profile = profiles[member]
        rope, number = place.get(member, (None, 0))
        rows.append(
            [
                member,
                profile.name,
                _ROLE_WORDS[profile.role],
                rope.name if rope else "",
                str(number) if rope else "",
                profile.contact,
                profile.language,
                profile.about,
                *(profile.sizes.get(what, "") for what in sizes),
            ]
        )
    return header, rows


def to_csv(header: Sequence[str], rows: Iterable[Sequence[str]]) -> bytes:
    """CSV in UTF-8 with a mark, so that spreadsheet programs read accents; no cell is taken for a formula."""
    out = io.StringIO(newline="")
    writer = csv.writer(out, quoting=csv.QUOTE_MINIMAL)
    for row in (header, *rows):
        writer.writerow([guarded(cell) for cell in row])
    return codecs.BOM_UTF8 + out.getvalue().encode("utf-8")


def to_xlsx(header: Sequence[str], rows: Iterable[Sequence[str]]) -> bytes:
    """An XLSX workbook with every cell as text; no cell is taken for a formula."""
    import openpyxl
    from openpyxl.cell import WriteOnlyCell
    from openpyxl.cell.cell import ILLEGAL_CHARACTERS_RE

    book = openpyxl.Workbook(write_only=True)
    sheet = book.create_sheet("roster")
    sheet.freeze_panes = "C2"
    for row in (header, *rows):
        cells = []
        for text in row:
            cell = WriteOnlyCell(
                sheet, value=ILLEGAL_CHARACTERS_RE.sub("\N{REPLACEMENT CHARACTER}", guarded(text))
            )
            if text:
                cell.data_type = "s"
            cells.append(cell)
        sheet.append(cells)
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()
