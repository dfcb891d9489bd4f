"""Paper, short messages and calendars: one page, 160 characters, what RFC 5545 asks."""

import io
import json
from datetime import timedelta

import icalendar
import pypdf
import pytest
from hypothesis import given
from hypothesis import strategies as st

from api.call import paper
from api.call.share import GSM_BASIC, LONGEST_TEXT, calendar, fitted, gsm, short_text
from tests.call.calling import OUTFIT, TRIP, Expedition

pytestmark = pytest.mark.one_database

A4_PT, LETTER_PT = (595.28, 841.89), (612.0, 792.0)


class TestShortText:
    @given(st.lists(st.text(max_size=120), max_size=8))
    def test_never_longer_than_one_message_nor_in_other_letters(self, parts: list[str]) -> None:
        said = fitted(parts)
        assert len(said) <= LONGEST_TEXT
        assert set(said) <= GSM_BASIC - {"\n", "\r"}

    def test_what_cannot_be_said_is_written_otherwise(self) -> None:
        assert gsm("Zażółć “Øst” – 10 °C [x] 山") == 'Zazolc "Øst" - 10  deg C (x) ?'
        assert gsm("grüße, àèéìòù ñ Å") == "grüße, àèéìòù ñ Å"

    def test_a_call_fits_and_says_what_matters_first(self, trip: Expedition) -> None:
        trip.call("go-with-changes", stays=("p03", "p10", "p11"), left="x" * 300, accepts=_all(trip))
        said = short_text(trip.evaluation(), trip.last_call())
        assert said.startswith("GO WITH CHANGES Harrow Station 12/0950L. stay Inés, Chiara, Moon. turn 1058L")
        assert len(said) <= LONGEST_TEXT


def _all(trip: Expedition) -> dict[str, str]:
    return {f.id: "for the test" for f in trip.evaluation().findings if f.grade.value != "advise"}


class TestCalendar:
    def test_hold_points_and_turning_round(self, trip: Expedition) -> None:
        found = icalendar.Calendar.from_ical(calendar(trip.evaluation(), trip.clock.now()))
        events = {str(e["uid"]).split(".")[0]: e for e in found.walk("VEVENT")}
        assert set(events) == {
            "hold-base",
            "hold-glacier-edge",
            "hold-high-camp",
            "hold-summit-start",
            "turn-summit",
        }
        plan = trip.evaluation().plan
        assert events["hold-base"].start == plan.hold_points[0].at
        # Civil dusk 19:28 at 41.86 N, 77.92 E on 14 September; 7.5 h down and an hour in hand.
        turn = events["turn-summit"].start.astimezone(plan.place.zone)
        assert f"{turn:%a %H:%M}" == "Mon 10:58"
        assert "final call rests" in str(events["turn-summit"]["description"])

    def test_lines_end_and_fold_as_the_standard_asks(self, trip: Expedition) -> None:
        """RFC 5545, section 3.1: CRLF, and at most 75 octets without it."""
        text = calendar(trip.evaluation(), trip.clock.now())
        lines = text.split(b"\r\n")
        assert lines[-1] == b""
        assert all(b"\n" not in line and len(line) <= 75 for line in lines)


class TestPaper:
    @pytest.mark.parametrize(("size", "points"), [("a4", A4_PT), ("us-letter", LETTER_PT)])
    def test_a_call_is_one_tagged_page(
        self, trip: Expedition, size: paper.Paper, points: tuple[float, float]
    ) -> None:
        trip.view("p02", "wait", staff="s2", hold="base", why='#strong[Not] *yet* <b> $x$ \\ " @ref')
        trip.call("wait", reason="#set page(fill: red)\n= not a heading")
        made = paper.pdf(paper.call_page(json.loads(trip.sealed())), trip.clock.now(), size)
        page = self.only_page(made, points)
        text = " ".join(page.extract_text().split())
        assert '#strong[Not] *yet* <b> $x$ \\ " @ref' in text
        assert "#set page(fill: red) = not a heading" in text
        assert "final call rests with the licensed guides" in text
        assert "Missing Inés Quiroga Bell" in text
        assert trip.countersignature().record in text.replace(" ", "")

    @pytest.mark.parametrize(("size", "points"), [("a4", A4_PT), ("us-letter", LETTER_PT)])
    def test_a_board_is_one_tagged_page(
        self, trip: Expedition, size: paper.Paper, points: tuple[float, float]
    ) -> None:
        with trip.database.reading() as conn:
            board = trip.readiness.board(conn, OUTFIT, TRIP)
        page = self.only_page(paper.pdf(paper.board_page(board), board.as_of, size), points)
        text = " ".join(page.extract_text().split())
        assert "6 stops" in text
        assert "Aroha Tūmanako: Climbing helmet" in text
        assert "Moon Hye-jin: Nights before" in text
        assert text.count("is 600 m above the night before") == 1
        assert "more on the board" not in text

    def test_very_much_still_is_one_page(self, trip: Expedition) -> None:
        trip.call("wait", reason="word " * 700)
        made = paper.pdf(paper.call_page(json.loads(trip.sealed())), trip.clock.now())
        self.only_page(made, A4_PT)

    def test_the_same_page_is_the_same_bytes(self, trip: Expedition) -> None:
        trip.call("wait", reason="for the office")
        page, at = paper.call_page(json.loads(trip.sealed())), trip.clock.now()
        assert paper.pdf(page, at) == paper.pdf(page, at)
        assert paper.pdf(page, at) != paper.pdf(page, at + timedelta(days=1))

    def only_page(self, made: bytes, points: tuple[float, float]) -> pypdf.PageObject:
        read = pypdf.PdfReader(io.BytesIO(made))
        assert len(read.pages) == 1
        root = read.trailer["/Root"]
        assert root["/MarkInfo"]["/Marked"].value is True
        assert "/StructTreeRoot" in root
        assert root["/Lang"] == "en"
        assert b"pdfuaid" in read.xmp_metadata.stream.get_data()  # type: ignore[union-attr]
        page = read.pages[0]
        assert [float(page.mediabox.width), float(page.mediabox.height)] == pytest.approx(points, abs=0.5)
        fonts = [font.get_object() for font in page["/Resources"]["/Font"].values()]
        descendants = [
            font["/DescendantFonts"][0].get_object() for font in fonts if "/DescendantFonts" in font
        ]
        assert descendants
        for font in descendants:
            embedded = font["/FontDescriptor"].get_object()
            assert "/FontFile2" in embedded or "/FontFile3" in embedded
        return page
