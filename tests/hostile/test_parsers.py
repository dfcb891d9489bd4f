"""Whatever is sent to a parser: it is read, or refused in words, and soon."""

from __future__ import annotations

import csv
import io
import json
import time
import zipfile
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from api.conditions import files
from api.conditions.forecast import Point
from api.conditions.sources import metno, nws, openjson
from api.conditions.sources.asking import Request, SourceSettings, Unusable, Window
from api.errors import Problem, from_validation
from api.journal import sync
from api.journal.chain import CannotBeKept
from api.journal.entry import Entry
from api.kitlist.loading import NotAnEdition, read_edition, shipped
from api.photos.rules import NotUsable, harmless
from api.roster.export import to_csv, to_xlsx
from api.roster.files import read_table
from tests.journal.histories import PLACE

NOW = datetime(2026, 7, 14, 4, 30, tzinfo=UTC)
WINDOW = Window(NOW, datetime(2026, 7, 18, tzinfo=UTC))
EXAMPLES = 60
LONGEST_S = 5.0

odd_text = st.text(
    st.sampled_from("a1 ,;\t\n\r\"'=+-@|\x00\x07\u200b\u202e\u2028\ufeff\ud800\U0001f9d7éß%\\{}[]:&*!<>"),
    max_size=60,
)
odd_numbers = st.sampled_from(
    [0, -1, 1e308, -1e308, 1e-320, 2**63, 10**400, float("nan"), float("inf"), -float("inf")]
)
odd_json = st.recursive(
    st.none() | st.booleans() | odd_numbers | odd_text,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(odd_text, inner, max_size=4),
    max_leaves=12,
)


def forecast_file(body: bytes) -> object:
    return files.read(files.Upload(body=body, filename="sent"), PLACE, "someone", WINDOW, NOW)


def journal_file(body: bytes) -> object:
    """Refused before anything would be looked up or stored: there is no database to do it with."""
    no_database: Any = None
    return sync.import_journal(no_database, body.decode("utf-8", "replace").splitlines(), NOW, by="a test")


def journal_entry(body: bytes) -> object:
    try:
        return Entry.model_validate_json(body)
    except ValidationError as error:
        raise from_validation(error.errors()) from error


READERS: dict[str, Callable[[bytes], object]] = {
    "roster": read_table,
    "forecast file": forecast_file,
    "kit list": read_edition,
    "picture": lambda body: harmless(body, 1_000_000),
    "journal entry": journal_entry,
    "journal file": journal_file,
}
WORDS = (Problem, NotAnEdition, NotUsable, CannotBeKept, Unusable)


def outcome(read: Callable[[bytes], object], body: bytes) -> str:
    """How it went; what is no word of ours goes through and fails the test."""
    started = time.monotonic()
    try:
        read(body)
        said = "read"
    except WORDS as error:
        said = str(error)
        assert said.strip(), "refused without a word"
    assert time.monotonic() - started < LONGEST_S
    return said


@pytest.mark.parametrize("name", READERS)
@settings(max_examples=EXAMPLES)
@given(body=st.binary(max_size=400) | odd_text.map(lambda text: text.encode("utf-8", "surrogatepass")))
def test_any_bytes(name: str, body: bytes) -> None:
    outcome(READERS[name], body)


@pytest.mark.parametrize("name", READERS)
@settings(max_examples=EXAMPLES)
@given(value=odd_json)
def test_any_json(name: str, value: Any) -> None:
    outcome(READERS[name], json.dumps(value).encode())


BOMBS = {
    "deep lists": b"[" * 200_000,
    "deep lists, closed": b"[" * 100_000 + b"]" * 100_000,
    "deep objects": b'{"a":' * 100_000,
    "a long number": b"9" * 1_000_000,
    "a long number in json": b'{"a":' + b"9" * 1_000_000 + b"}",
    "aliases that multiply": b"a: &a [x,x,x,x,x,x,x,x,x]\n"
    + b"".join(
        f"{new}: &{new} [{','.join([f'*{old}'] * 9)}]\n".encode()
        for old, new in zip("abcdefgh", "bcdefghi", strict=True)
    ),
    "a tag that would run something": b"!!python/object/apply:os.system ['echo']",
    "many columns": b"name" + b",x" * 200_000 + b"\n",
    "many rows": b"name,role\n" + b"a,climber\n" * 300_000,
    "one endless cell": b'name\n"' + b"a" * 2_000_000,
    "an endless quote": b'time,level[hPa]\n"' + b"a\n" * 200_000,
    "nul": b"name,role\nA\x00B,climber\n",
    "png that claims to be huge": b"\x89PNG\r\n\x1a\n\x00\x00\x00\rIHDR" + b"\xff" * 8 + bytes(45),
}

TOO_MUCH = {"many columns", "many rows", "one endless cell", "nul"}


@pytest.mark.parametrize("name", READERS)
@pytest.mark.parametrize("bomb", BOMBS)
def test_bombs_are_refused_soon(name: str, bomb: str) -> None:
    said = outcome(READERS[name], BOMBS[bomb])
    # A list of rows may look like anything; everything else has a form, which none of these has.
    assert said != "read" or (name == "roster" and bomb not in TOO_MUCH)


def workbook(parts: dict[str, bytes]) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in parts.items():
            archive.writestr(name, content)
    return out.getvalue()


def test_archives_that_unpack_to_far_too_much_are_refused() -> None:
    whole = to_xlsx(["name"], [["Mara"]])
    with zipfile.ZipFile(io.BytesIO(whole)) as archive:
        parts = {name: archive.read(name) for name in archive.namelist()}
    sheet = next(name for name in parts if "sheet1" in name)
    entities = b'<!DOCTYPE x [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;">]><x>&b;</x>'
    for content in (b"<x>" + b" " * 300_000_000, entities):
        assert outcome(read_table, workbook(parts | {sheet: content})) != "read"
    assert outcome(read_table, workbook({"../../somewhere": b"x"})) != "read"


ROWS: dict[str, Callable[[], bytes]] = {
    "millions of empty rows": lambda: b"<row/>" * 3_000_000,
    "a million rows": lambda: b"".join(b'<row r="%d"><c><v>1</v></c></row>' % n for n in range(1_000_000)),
    "millions of cells in a row": lambda: b'<row r="1">' + b"<c><v>1</v></c>" * 3_000_000 + b"</row>",
    "one cell at the far end": lambda: b'<row r="1048576"><c r="XFD1048576"><v>1</v></c></row>',
}


@pytest.mark.parametrize("rows", ROWS)
def test_a_sheet_of_millions_is_refused_by_its_size(rows: str) -> None:
    whole = to_xlsx(["name"], [["Mara"]])
    with zipfile.ZipFile(io.BytesIO(whole)) as archive:
        parts = {name: archive.read(name) for name in archive.namelist()}
    sheet = next(name for name in parts if "sheet1" in name)
    head = b'<worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"><sheetData>'
    content = head + ROWS[rows]() + b"</sheetData></worksheet>"
    assert outcome(read_table, workbook(parts | {sheet: content})) != "read"


@settings(max_examples=EXAMPLES)
@given(cut=st.integers(0, 6_000), put=st.binary(max_size=6))
def test_a_damaged_workbook_is_read_or_refused(cut: int, put: bytes) -> None:
    whole = to_xlsx(["name", "role"], [["Mara", "climber"]] * 3)
    outcome(read_table, whole[:cut] + put + whole[cut + len(put) :])


@settings(max_examples=EXAMPLES)
@given(line=st.integers(0, 400), put=odd_text)
def test_a_kit_list_with_a_line_changed(line: int, put: str) -> None:
    lines = next(iter(shipped().values())).read_text(encoding="utf-8").splitlines()
    lines[line % len(lines)] += put
    outcome(read_edition, "\n".join(lines).encode("utf-8", "surrogatepass"))


@settings(max_examples=EXAMPLES)
@given(rows=st.lists(st.lists(odd_text, min_size=2, max_size=2), max_size=4))
def test_no_exported_cell_is_a_formula(rows: list[list[str]]) -> None:
    clean = [[cell.encode("utf-8", "ignore").decode() for cell in row] for row in rows]
    text = to_csv(["name", "note"], clean).decode("utf-8-sig")
    for row in csv.reader(io.StringIO(text, newline="")):
        for cell in row:
            assert not cell.startswith(("=", "+", "-", "@", "\t", "\r")), repr(cell)


SERVICES = {"metno": metno.parse, "nws": nws.parse, "openjson": openjson.parse}
HEADS = {
    "metno": {"type": "Feature", "geometry": {"type": "Point", "coordinates": [80.1, 42.2, 4000]}},
    "nws": {"type": "Feature", "properties": {"updateTime": "2026-07-14T00:00:00Z"}},
    "openjson": {"latitude": 42.2, "longitude": 80.1, "hourly": {"time": [1784000000]}, "hourly_units": {}},
}


@pytest.mark.parametrize("name", SERVICES)
@settings(max_examples=EXAMPLES)
@given(
    members=st.dictionaries(
        st.sampled_from(
            ["properties", "hourly", "hourly_units", "geometry", "timeseries", "latitude", "elevation"]
        ),
        odd_json,
        max_size=3,
    )
)
def test_services_that_answer_nonsense(name: str, members: dict[str, Any]) -> None:
    asked = Request(
        step="forecast",
        url="http://127.0.0.1/",
        place=Point(PLACE.latitude_deg, PLACE.longitude_deg, PLACE.high_point_m),
        window=WINDOW,
        settings=SourceSettings(name, "http://127.0.0.1", model="model"),
        known={"run": str(int(NOW.timestamp()))},
    )
    outcome(lambda sent: SERVICES[name](sent, {}, asked), json.dumps(HEADS[name] | members).encode())
