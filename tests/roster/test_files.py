"""Reading files: encodings, separators, workbooks, and files made to do harm."""

import io
import random
import time
import zipfile
from datetime import date

import openpyxl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from api.roster.files import MAX_FILE_BYTES, MAX_ROWS, UnreadableFile, read_table

from .people import try_file

PLAIN = "name,role\nInés Quiroga Bell,assistant\n"


def workbook(rows, *, extra=None) -> bytes:
    """A workbook of these rows, with further parts put into its archive."""
    book = openpyxl.Workbook()
    for row in rows:
        book.active.append(row)
    out = io.BytesIO()
    book.save(out)
    if extra:
        with zipfile.ZipFile(out, "a", zipfile.ZIP_DEFLATED) as archive:
            for part, content in extra.items():
                archive.writestr(part, content)
    return out.getvalue()


def replaced(content: bytes, part: str, new: bytes) -> bytes:
    """The archive with one part's content replaced."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(content)) as old, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as made:
        for name in old.namelist():
            made.writestr(name, new if name == part else old.read(name))
    return out.getvalue()


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be"])
def test_unicode_encodings_are_read_without_a_notice(encoding):
    table = read_table(PLAIN.encode(encoding))
    assert table.rows[1].cells == ("Inés Quiroga Bell", "assistant")
    assert table.notices == ()


def test_windows_1252_is_read_and_said():
    table = read_table(PLAIN.encode("cp1252"))
    assert table.rows[1].cells[0] == "Inés Quiroga Bell"
    assert "Windows-1252" in table.notices[0]


@pytest.mark.parametrize("separator", [",", ";", "\t"])
def test_separators_are_found(separator):
    text = separator.join(["name", "about"]) + "\n" + separator.join(["Ana Duarte", '"a, b; c\td"'])
    assert read_table(text.encode()).rows[1].cells == ("Ana Duarte", "a, b; c\td")


def test_a_line_that_names_the_separator_is_obeyed_and_counted():
    table = read_table(b"sep=;\nname;role\nAna Duarte;climber\n")
    assert [(row.number, row.cells) for row in table.rows] == [
        (2, ("name", "role")),
        (3, ("Ana Duarte", "climber")),
    ]


def test_rows_keep_their_numbers_over_empty_lines_and_line_ends():
    table = read_table(b"name\r\n\r\nAna\r\rBen\n")
    assert [row.number for row in table.rows] == [1, 3, 5]


def test_a_quote_that_never_closes_is_refused_with_its_line():
    with pytest.raises(UnreadableFile) as error:
        read_table(b'name,about\nAna,"never closed\nBen,x\n')
    assert "Line 3" in error.value.fields[0].message


def test_numbers_dates_and_booleans_of_a_workbook_read_as_people_see_them():
    content = workbook(
        [["name", "order", "boot", "about"], ["Ana", 2.0, 38.5, date(2026, 9, 12)], ["Ben", 1, True, None]]
    )
    rows = read_table(content).rows
    assert rows[1].cells == ("Ana", "2", "38.5", "2026-09-12")
    assert rows[2].cells == ("Ben", "1", "yes")


def test_a_formula_without_a_stored_result_is_a_bad_cell_and_never_text():
    (row,) = try_file(workbook([["name", "language"], ["Ana", '="e"&"n"']]), {}, ()).rows
    assert row.problems[0].message == "The cell holds a formula without a stored result."
    assert (row.problems[0].column, row.problems[0].cell) == ("language", 1)


def test_only_the_first_visible_sheet_is_read_and_the_others_are_named():
    book = openpyxl.Workbook()
    book.active.title = "secret"
    book.active.sheet_state = "hidden"
    book.create_sheet("people").append(["name"])
    book["people"].append(["Ana"])
    out = io.BytesIO()
    book.save(out)
    table = read_table(out.getvalue())
    assert table.rows[1].cells == ("Ana",)
    assert "secret" in table.notices[0]


def refusal(content: bytes) -> str:
    with pytest.raises(UnreadableFile) as error:
        read_table(content, "people.xlsx")
    (field,) = error.value.fields
    assert (field.field, field.value) == ("file", "people.xlsx")
    assert field.remedy
    return field.message


def test_an_archive_that_swells_is_refused_before_it_is_parsed():
    bomb = workbook([["name"]], extra={"xl/media/zeros.bin": b"\0" * 200_000_000})
    assert len(bomb) < MAX_FILE_BYTES
    before = time.perf_counter()
    assert "more than 12 MB" in refusal(bomb)
    assert time.perf_counter() - before < 1


def test_an_archive_that_lies_about_its_size_is_refused():
    bomb = bytearray(workbook([["name"]], extra={"xl/media/zeros.xml": b"\0" * 50_000_000}))
    place = bomb.rfind(b"PK\x01\x02", 0, bomb.rfind(b"xl/media/zeros.xml"))
    bomb[place + 24 : place + 28] = (1000).to_bytes(4, "little")
    assert refusal(bytes(bomb)) == "The workbook is damaged."


def test_entities_are_refused():
    sheet = b'<?xml version="1.0"?><!DOCTYPE x [<!ENTITY a "aaaa">]><worksheet>&a;</worksheet>'
    assert "entities" in refusal(replaced(workbook([["name"]]), "xl/worksheets/sheet1.xml", sheet))
    wide = sheet.decode().replace("?>", ' encoding="utf-16"?>', 1).encode("utf-16")
    assert "entities" in refusal(replaced(workbook([["name"]]), "xl/worksheets/sheet1.xml", wide))


def test_macros_are_refused():
    assert "macros" in refusal(workbook([["name"]], extra={"xl/vbaProject.bin": b"\xd0\xcf\x11\xe0"}))


def test_a_million_rows_are_refused():
    assert f"more than {MAX_ROWS} rows" in refusal(b"name\n" + b"a\n" * 1_000_000)
    far = (
        b'<worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"><sheetData><row r="1">'
    )
    far += (
        b'<c r="A1" t="inlineStr"><is><t>name</t></is></c></row><row r="1000000"><c r="A1000000"><v>1</v></c>'
    )
    far += b"</row></sheetData></worksheet>"
    assert "beyond row" in refusal(replaced(workbook([["name"]]), "xl/worksheets/sheet1.xml", far))


def test_too_many_rows_columns_and_characters_are_refused():
    assert "rows" in refusal(workbook([["name"]] + [["a"]] * MAX_ROWS))
    assert "columns" in refusal(workbook([["name"] * 61]))
    assert "more text" in refusal(b"name\n" + b"a" * 5001)
    assert "accepted" in refusal(b"a" * (MAX_FILE_BYTES + 1))
    assert read_table(workbook([["name"]] + [["a"]] * (MAX_ROWS - 1))).rows[-1].number == MAX_ROWS


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"\x00" * 5000,
        b"%PDF-1.7\n%\xe2\xe3\xcf\xd3\x00\x01\x81\x8d",
        b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + b"\x00" * 100,
        b"PK\x03\x04 not an archive",
        b"PK\x05\x06" + b"\x00" * 18,
        b"\x89PNG\r\n\x1a\n\x00\x00\x00\rIHDR",
        random.Random(7).randbytes(20_000),
        b"\xff\xfe\x00",
    ],
)
def test_what_is_no_roster_is_refused_in_words(content):
    assert refusal(content)


def refused(content: bytes) -> UnreadableFile | None:
    try:
        try_file(content, {}, ())
    except UnreadableFile as error:
        return error
    return None


@given(st.binary(max_size=400))
def test_any_bytes_are_read_or_refused(content):
    error = refused(content)
    assert error is None or error.fields[0].remedy


@given(st.binary(max_size=60), st.integers(0, 5000))
def test_a_workbook_with_bytes_changed_is_read_or_refused(noise, place):
    content = bytearray(workbook([["name", "role"], ["Ana", "climber"]]))
    content[place % len(content) : place % len(content) + len(noise)] = noise
    error = refused(bytes(content))
    assert error is None or error.fields[0].remedy
