"""The check on paper: a sheet to print, and typing it back in."""

import io
import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import product
from uuid import UUID

import pytest
from pypdf import PdfReader

from api.call.paper import NoPaper
from api.journal.kinds import GearState, Known, Sighting
from tests.roster.browsing import Fields
from tests.selfreport.conftest import House
from tests.selfreport.people import ANA, BO, LEAD, OFFICE, TRIP, read_as
from web.pages.paper_sheet import sheet_data, sheet_of, sheet_pdf

pytestmark = pytest.mark.one_database
PAGE = {"accept": "text/html"}
AT = f"/trips/{TRIP}/paper"
ROPE = f"{AT}/rope-1/type-in"
SMALLEST_BOX_MM = 6
"""Common practice, no published source: a mark in a thick glove needs about as much."""
MM_PER_PT = 25.4 / 72
GREY_BOX = re.compile(r"0\.78431\d* scn\s+0 0 m\s+([\d.]+) 0 l\s+\1 ([\d.]+) l")
CHECKED = "2026-08-20T10:30"  # in UTC+6; the clock stands at 14:00 there


def sheet(house: House):
    with house.app.state.db.reading() as conn:
        evaluation = house.app.state.readiness.evaluation(conn, "quillstone", TRIP)
    return evaluation, sheet_of(evaluation, "rope-1")


def grey_boxes_mm(printed: PdfReader) -> list[tuple[float, float]]:
    """Width and height of every box that is filled grey, over all pages."""
    found = []
    for page in printed.pages:
        drawn = page.get_contents().get_data().decode("latin-1")
        found += [
            (float(wide) * MM_PER_PT, float(high) * MM_PER_PT) for wide, high in GREY_BOX.findall(drawn)
        ]
    return found


def type_in(house: House, of: str = ANA, at: str = CHECKED, by: str = "", **marks: str):
    sent = {"of": of, "at": at, "by": by}
    sent |= {f"mark-{item.replace('_', '-')}": mark for item, mark in marks.items()}
    return house.client.post(ROPE, data=sent, headers=PAGE)


def recorded(house: House, item: str, of: str = ANA) -> list[tuple[Known, GearState, str]]:
    records = house.picture().sightings.get((of, item), ())
    return [(record.body.known, record.body.state, record.body.remark) for record in records]


class TestOnPaper:
    def test_a_pdf_for_each_rope(self, house: House) -> None:
        assert f"{AT}/rope-1.pdf" in house.client.get(AT, headers=PAGE).text
        answer = house.client.get(f"{AT}/rope-1.pdf")
        assert answer.status_code == 200
        assert answer.headers["content-type"] == "application/pdf"
        assert answer.content.startswith(b"%PDF-")
        assert house.client.get(f"{AT}/rope-9.pdf").status_code == 404

    def test_people_across_things_down_in_the_order_of_a_check(self, house: House) -> None:
        evaluation, found = sheet(house)
        data = sheet_data(evaluation, found, "https://trips.example/trips/x", house.clock.now(), "a4")
        people, shared = data["tables"]
        assert people["columns"] == ["Maren Example", "Ana Example", "Bo Example"]
        assert [s["title"] for s in people["stations"]] == ["Feet and hardware", "Body, hands, eyes, sleep"]
        assert people["stations"][0]["rows"][0]["item"] == "Mountaineering boots"
        assert shared["columns"] == ["Rope 1"]
        numbers = [r["number"] for part in data["tables"] for s in part["stations"] for r in s["rows"]]
        assert numbers == list(range(1, len(found.rows) + 1))
        assert "<svg" in data["qr"]
        assert "final call rests with" in data["caution"]
        guides_only = next(r for s in people["stations"] for r in s["rows"] if r["item"] == "Guide's licence")
        assert guides_only["boxes"] == [True, False, False]

    def test_every_box_is_large_enough_for_a_pencil_in_mitts(self, house: House) -> None:
        """Measured on the sheet as it is printed, with every box filled so that it can be found."""
        evaluation, found = sheet(house)
        for people, paper in product((1, 4, 12, 13, 30), ("a4", "us-letter")):
            everyone = {f"p{n}": f"Longername Doublebarrelled-Person {n}" for n in range(people)}
            rows = tuple(replace(row, subjects=frozenset(everyone)) for row in found.rows)
            crowd = replace(found, subjects=tuple(everyone.items()), rows=rows)
            data = sheet_data(evaluation, crowd, "https://trips.example/t", house.clock.now(), paper)
            for part in data["tables"]:
                for row in (row for station in part["stations"] for row in station["rows"]):
                    row["boxes"] = [False] * len(part["columns"])
            boxes = grey_boxes_mm(PdfReader(io.BytesIO(sheet_pdf(data, house.clock.now()))))
            assert len(boxes) == len(rows) * people, (people, paper)
            assert min(min(box) for box in boxes) >= SMALLEST_BOX_MM, (people, paper)

    def test_the_screen_has_the_order_of_the_paper(self, house: House) -> None:
        _, found = sheet(house)
        page = house.client.get(f"{ROPE}?of={ANA}", headers=PAGE).text
        form = next(fields for action, fields in Fields(page).forms if action == ROPE)
        typed = [name.removeprefix("mark-") for name in form if name.startswith("mark-")]
        assert typed == [row.requirement.id for row in found.rows if ANA in row.subjects]

    def test_a_sheet_of_hostile_names_is_still_a_sheet(self, house: House) -> None:
        """What people typed is data for the printer's language, never part of it."""
        evaluation, found = sheet(house)
        data = sheet_data(evaluation, found, "https://trips.example/t", house.clock.now(), "a4")
        data["tables"][0]["columns"] = ['#read("/etc/passwd")', "*b* $x$ `c` \\", "<label> @ref"]
        assert sheet_pdf(data, house.clock.now()).startswith(b"%PDF-")

    def test_without_the_optional_part_it_says_what_is_missing(
        self, house: House, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setitem(__import__("sys").modules, "typst", None)
        answer = house.client.get(f"{AT}/rope-1.pdf")
        assert (answer.status_code, answer.json()["code"]) == (503, NoPaper.code)
        assert "rimaye[pdf]" in answer.json()["detail"]


class TestTypedIn:
    def test_marks_become_sightings_of_that_time(self, house: House) -> None:
        answer = type_in(house, boots="t", socks="✓", gaiters="u strap torn", helmet="A", by="Petra")
        assert answer.status_code == 303
        assert answer.headers["location"] == f"{ROPE}?of={BO}&saved=4&at=2026-08-20T10%3A30&by=Petra"
        source = "from paper, checked by Petra"
        assert recorded(house, "boots") == [(Known.TRIED, GearState.FITS, source)]
        assert recorded(house, "socks") == [(Known.SEEN, GearState.FITS, source)]
        assert recorded(house, "gaiters") == [(Known.SEEN, GearState.UNFIT, f"strap torn ({source})")]
        assert recorded(house, "helmet") == [(Known.SEEN, GearState.ABSENT, source)]
        entry = house.entries()[-1]
        assert entry.happened_at == datetime(2026, 8, 20, 4, 30, tzinfo=UTC)
        assert (entry.actor.id, entry.device) == (LEAD.staff, "paper")

    def test_what_was_recorded_later_is_not_replaced(self, house: House) -> None:
        later = Sighting(subject=ANA, requirement="boots", known=Known.TRIED, state=GearState.FITS)
        with house.app.state.db.writing() as work:
            house.app.state.journal.write(work, LEAD, TRIP, later)
        house.clock.advance(timedelta(hours=1))
        type_in(house, boots="u")
        assert len(recorded(house, "boots")) == 2, "both stand, and the board says that they differ"
        board = house.client.get(f"/api/trips/{TRIP}/board").json()
        assert [f["kind"] for f in board["findings"] if f["id"] == "ana.boots"] == ["disagree"]

    def test_what_was_known_then_is_replaced(self, house: House) -> None:
        link = house.link(ANA)
        house.client.post(f"{link}/items/boots", data={"plan": "have"})
        house.clock.advance(timedelta(hours=2))
        type_in(house, at="2026-08-20T15:30", boots="t")
        assert recorded(house, "boots") == [(Known.TRIED, GearState.FITS, "from paper")]

    @pytest.mark.parametrize(
        ("sent", "says"),
        [
            ({"boots": "x"}, "No. 1: this is no mark."),
            ({"boots": "t", "at": ""}, "The time of the check is missing."),
            ({"boots": "t", "at": "2026-08-20T23:00"}, "This lies ahead."),
            ({"boots": "t", "at": "yesterday"}, "at"),
            ({}, "There is no mark yet."),
        ],
    )
    def test_a_mistake_is_named_and_nothing_is_kept(
        self, house: House, sent: dict[str, str], says: str
    ) -> None:
        before: tuple[UUID, ...] = tuple(entry.id for entry in house.entries())
        answer = type_in(house, socks="s", **sent) if sent else type_in(house)
        assert answer.status_code == 422
        assert says in answer.text
        assert tuple(entry.id for entry in house.entries()) == before
        if sent:
            assert 'name="mark-socks" class="mark" maxlength="400" value="s"' in answer.text

    def test_only_guides_type_a_check_in_and_only_of_that_rope(self, house: House) -> None:
        assert type_in(house, of="nobody", boots="s").status_code == 404
        read_as(house.app, OFFICE)
        assert type_in(house, boots="s").status_code == 403
        assert house.client.get(f"{AT}/rope-1.pdf").status_code == 200

    def test_gear_of_the_rope_is_on_its_own_column(self, house: House) -> None:
        _, found = sheet(house)
        row = next(row for row in found.rows if "rope-1" in row.subjects)
        answer = house.client.post(
            ROPE, data={"of": "rope-1", "at": CHECKED, f"mark-{row.requirement.id}": "s"}, headers=PAGE
        )
        assert answer.headers["location"] == f"{ROPE}?saved=1&at=2026-08-20T10%3A30"
        assert recorded(house, row.requirement.id, "rope-1")[0][0] is Known.SEEN
