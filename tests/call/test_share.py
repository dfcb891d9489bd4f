"""Paper, short messages and calendars: one page, 160 characters, what RFC 5545 asks."""

import io
import json
from dataclasses import replace
from datetime import timedelta

import icalendar
import pypdf
import pytest
from hypothesis import given
from hypothesis import strategies as st

from api.call import paper
from api.call.share import (
    GSM_BASIC,
    LONGEST_HOLD,
    LONGEST_TEXT,
    SHORT_CAUTION,
    calendar,
    fitted,
    gsm,
    named,
    short_text,
)
from api.readiness.evaluation import Evaluation
from tests.call.calling import OUTFIT, TRIP, Expedition

pytestmark = pytest.mark.one_database

A4_PT, LETTER_PT = (595.28, 841.89), (612.0, 792.0)


# 3GPP TS 23.038 V16.0.0 (ETSI TS 123 038, 2020-07), clause 6.2.1: the GSM 7-bit default alphabet in Unicode,
# from septet 0x00 on, sixteen to a row, without 0x1B, the escape; and what the escape leads to (6.2.1.1), two
# septets each. Read from Encode::GSM0338 of Perl 5, which names that edition as its source.
TS_23_038_BASIC = """
0040 00A3 0024 00A5 00E8 00E9 00F9 00EC 00F2 00C7 000A 00D8 00F8 000D 00C5 00E5
0394 005F 03A6 0393 039B 03A9 03A0 03A8 03A3 0398 039E      00C6 00E6 00DF 00C9
0020 0021 0022 0023 00A4 0025 0026 0027 0028 0029 002A 002B 002C 002D 002E 002F
0030 0031 0032 0033 0034 0035 0036 0037 0038 0039 003A 003B 003C 003D 003E 003F
00A1 0041 0042 0043 0044 0045 0046 0047 0048 0049 004A 004B 004C 004D 004E 004F
0050 0051 0052 0053 0054 0055 0056 0057 0058 0059 005A 00C4 00D6 00D1 00DC 00A7
00BF 0061 0062 0063 0064 0065 0066 0067 0068 0069 006A 006B 006C 006D 006E 006F
0070 0071 0072 0073 0074 0075 0076 0077 0078 0079 007A 00E4 00F6 00F1 00FC 00E0
"""
TS_23_038_EXTENSION = "000C 005E 007B 007D 005C 005B 007E 005D 007C 20AC"
ONE_SEPTET = {chr(int(code, 16)) for code in TS_23_038_BASIC.split()}
TWO_SEPTETS = {chr(int(code, 16)) for code in TS_23_038_EXTENSION.split()}


def septets(text: str) -> int:
    """How long a message is by the published tables. A character of neither is no message of this kind."""
    assert set(text) <= ONE_SEPTET | TWO_SEPTETS, set(text) - ONE_SEPTET - TWO_SEPTETS
    return sum(2 if character in TWO_SEPTETS else 1 for character in text)


HOSTILE = (
    "Перевал Ак-Суу",
    "山の小屋",
    "🏔🏔🏔 🧗‍♀️",
    "[{€}]~^|\\" * 20,
    "Ā" * 120,
    "\u202eevil\u0000",
    "…" * 120,
)


class TestShortText:
    def test_the_alphabet_is_the_published_one(self) -> None:
        assert len(ONE_SEPTET) == 127
        assert ONE_SEPTET == GSM_BASIC

    @given(st.lists(st.text(max_size=120), max_size=8))
    def test_never_longer_than_one_message_nor_in_other_letters(self, parts: list[str]) -> None:
        said = fitted(parts)
        assert septets(said) <= LONGEST_TEXT
        assert not {"\n", "\r"} & set(said)
        assert said.endswith(SHORT_CAUTION)

    def test_what_cannot_be_said_is_written_otherwise(self) -> None:
        assert gsm("Zażółć “Øst” – 10 °C [x] 山") == 'Zazolc "Øst" - 10  deg C (x) ?'
        assert gsm("grüße, àèéìòù ñ Å") == "grüße, àèéìòù ñ Å"
        assert gsm("Aroha Tūmanako – Gruppe ﬁx") == "Aroha Tumanako - Gruppe fix"
        # ICAO Doc 9303, part 3, section 6 (from memory).
        assert gsm("Щукин Йога Юрий Хан Соль") == "Shchukin Ioga Iurii Khan Sol"

    @pytest.mark.parametrize(
        ("name", "said"),
        [
            ("Перевал Ак-Суу", "Pereval Ak-Suu"),
            ("山の小屋", "high camp"),
            ("🏔🏔🏔", "high camp"),
            ("", "high camp"),
            ("山 12", "? 12"),
            ("Ā" * 40, "A" * 18 + ".."),
        ],
    )
    def test_a_name_is_said_or_its_id_is(self, name: str, said: str) -> None:
        assert named(name, "high-camp", 20) == said

    def test_a_call_fits_and_says_what_matters_first(self, trip: Expedition) -> None:
        trip.call("go-with-changes", stays=("p03", "p10", "p11"), left="x" * 300, accepts=_all(trip))
        said = short_text(trip.evaluation(), trip.last_call())
        assert said.startswith("GO WITH CHANGES Harrow Station 12/0950L. stay Inés, Chiara, Moon. turn 1058L")
        assert said.endswith("... Guides and local rules decide.")
        assert septets(said) <= LONGEST_TEXT

    def test_names_in_other_letters_lose_neither_decision_nor_hold_point_nor_caution(
        self, trip: Expedition
    ) -> None:
        trip.call("go-with-changes", stays=("p03", "p10", "p11"), left="ice axes", accepts=_all(trip))
        made, evaluation = trip.last_call(), trip.evaluation()
        for name in HOSTILE:
            said = short_text(renamed(evaluation, name), made)
            hold = named(name, "base", LONGEST_HOLD)
            assert any(character.isalnum() for character in hold), name
            assert septets(said) <= LONGEST_TEXT, name
            assert said.startswith(f"GO WITH CHANGES {hold} 12/0950L. stay "), name
            assert said.endswith(SHORT_CAUTION), name


def renamed(evaluation: Evaluation, name: str) -> Evaluation:
    """The same trip where every hold point and everybody has this name."""
    holds = tuple(hold.model_copy(update={"name": name}) for hold in evaluation.plan.hold_points)
    members = {
        id_: replace(
            record,
            body=record.body.model_copy(
                update={"profile": record.body.profile.model_copy(update={"name": name})}
            ),
        )
        for id_, record in evaluation.picture.members.items()
    }
    plan = evaluation.plan.model_copy(update={"hold_points": holds})
    return replace(evaluation, plan=plan, picture=replace(evaluation.picture, members=members))


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
        assert fonts
        for font in fonts:
            assert "/ToUnicode" in font, "without it the text could not be selected"
            drawn = font["/DescendantFonts"][0].get_object() if "/DescendantFonts" in font else font
            embedded = drawn["/FontDescriptor"].get_object()
            assert "/FontFile2" in embedded or "/FontFile3" in embedded
        return page
