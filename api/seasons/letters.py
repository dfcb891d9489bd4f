"""The season letter: our own words from the numbers, for guides or to go out before a trip. Then edited."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

from sqlalchemy import Connection

from api.access.current import Reader
from api.clock import Clock
from api.db import Work
from api.errors import Conflict, Invalid, NotFound, Unavailable
from api.ids import new_id
from api.readiness.schemas import CAUTION
from api.seasons import tables
from api.seasons.queries import Choice
from api.seasons.rules import Rate, Recurrence, Verdict
from api.seasons.service import Overview, overview
from api.seasons.written import queries
from api.seasons.written.queries import LetterRow

READERS = {"guides": "guides", "climbers": "climbers, with the mail before a trip"}
MOST_LINES = 5
LONGEST = 20_000
TEMPLATE = Path(__file__).with_name("letter.typ")


class PdfMissing(Unavailable):
    """PDF files need a package that this installation does not have."""

    code = "pdf-missing"
    title = "PDF is not installed here"


def draft(found: Overview, reader: str) -> tuple[str, str]:
    """Title and text (Markdown) of a letter from the numbers."""
    seasons = f"{min(found.trips)} to {max(found.trips)}" if len(found.trips) > 1 else f"{max(found.trips)}"
    if reader == "guides":
        return f"What the seasons {seasons} taught us", "\n".join(_for_guides(found))
    return "Before you pack", "\n".join(_for_climbers(found))


def _for_guides(found: Overview) -> Iterator[str]:
    yield f"We looked at {found.all_trips:,} trips. This was lacking most often; the spans say how surely."
    yield ""
    yield "## What keeps coming back"
    yield ""
    for line in _worth_saying(found):
        yield f"- **{_item(found, line)}**: {share_words(line.rate)}. {_found_words(line)}"
    yield ""
    yield "## What changed"
    yield ""
    yield from _changes(found)
    yield ""
    yield "## Said to be fine, and was not"
    yield ""
    for line in sorted(
        _worth_saying(found), key=lambda one: -(one.self_report.share if one.self_report else 0)
    ):
        if line.self_report and not line.self_report.too_few:
            yield f"- {_item(found, line)}: {share_words(line.self_report, 'who had said it was fine')}."
    yield ""
    yield CAUTION


def _changes(found: Overview) -> Iterator[str]:
    called = [change for change in found.changed.values() if change.verdict.called]
    mixed = [change for change in found.changed.values() if change.verdict is Verdict.MIX]
    for change in called:
        item = found.items.get(change.requirement, change.requirement)
        shares = f"{percent(change.before)} before and {percent(change.after)} now"
        yield f"- **{item}**: {change.verdict.value}, {shares}."
    for change in mixed:
        item = found.items.get(change.requirement, change.requirement)
        yield (
            f"- {item}: {percent(change.before)} before and {percent(change.after)} now, but the trips were"
            " of another mix. Among trips of one kind no change shows."
        )
    if not called and not mixed:
        yield "- Nothing that we can tell from chance."


def _for_climbers(found: Overview) -> Iterator[str]:
    yield "Dear climber,"
    yield ""
    yield (
        "when we lay everything out at base, the same few things are missing or do not do, year after year."
        " Please look at these before you pack. Most can be put right at home, and few on a glacier."
    )
    yield ""
    for line in _worth_saying(found):
        told = line.self_report
        wrong = told is not None and not told.too_few and told.share >= 0.3
        more = " Many were sure that theirs would do; try it, do not only look." if wrong else ""
        yield f"- **{_item(found, line)}.** About {in_words(line.rate)} came without one that does.{more}"
    yield ""
    yield "If you are not sure, write to us; a question now is better than a shop at base."
    yield ""
    yield "Your guides check everything again. What is asked of you follows the weather and may change."


def _worth_saying(found: Overview) -> list[Recurrence]:
    return [line for line in found.lines if not line.rate.too_few][:MOST_LINES]


def _item(found: Overview, line: Recurrence) -> str:
    return found.items.get(line.requirement, line.requirement)


def _found_words(line: Recurrence) -> str:
    early = line.known["said"] + line.known["pictured"]
    words = f"{early} of {line.rate.hits} came up before anyone looked by hand"
    if line.late:
        words += f", {line.late} only after base"
    if line.carried_past:
        words += f", {line.carried_past} were carried past their hold point"
    return f"{words[0].upper()}{words[1:]}."


def percent(rate: Rate) -> str:
    """A share in whole percent; one decimal under ten."""
    places = 1 if rate.share < 0.1 else 0
    return f"{rate.share * 100:.{places}f}\u00a0%"


def share_words(rate: Rate, whom: str = "asked") -> str:
    """ "34 of 190 asked (18 %, likely 13 to 24 %)"."""
    span = f"likely {rate.lower * 100:.0f} to {rate.upper * 100:.0f}\u00a0%"
    return f"{rate.hits:,} of {rate.total:,} {whom} ({percent(rate)}, {span})"


def in_words(rate: Rate) -> str:
    """ "one in nine people"."""
    numbers = ("two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve")
    one_in = round(1 / rate.share) if rate.share > 0 else 0
    if 2 <= one_in <= 12:
        return f"one person in {numbers[one_in - 2]}"
    return f"one person in {one_in}" if one_in > 12 else "most people"


# -- kept letters ------------------------------------------------------------------------------------------


def begin(work: Work, reader: Reader, clock: Clock, for_whom: str) -> str:
    """Write a letter from the numbers as they are; answers with its id."""
    if for_whom not in READERS:
        raise Invalid.field("reader", for_whom, "not a reader of letters.", "Choose guides or climbers.")
    found = overview(work, reader.outfit, Choice())
    if not found.trips:
        raise Conflict("There is no past trip to write about yet. Bring the review up to date first.")
    title, text = draft(found, for_whom)
    now = clock.now()
    numbers = tables.gaps(found)
    kept = {"head": numbers.head, "rows": numbers.rows}
    row = LetterRow(str(new_id(now)), for_whom, title, text, now, now, reader.name, 1, kept)
    queries.add_letter(work, reader.outfit, row)
    return row.id


def find(conn: Connection, outfit: str, id_: str) -> LetterRow:
    """A letter. Raises NotFound."""
    found = queries.letter(conn, outfit, id_)
    if found is None:
        raise NotFound(f"There is no letter {id_}. Choose one of the list.")
    return found


def change(work: Work, reader: Reader, clock: Clock, id_: str, title: str, text: str, version: int) -> None:
    """Give a letter another wording. Raises Conflict when someone else did so in between."""
    find(work, reader.outfit, id_)
    if not title.strip() or len(title) > 200:
        raise Invalid.field("title", title, "a letter needs a title of at most 200 characters.", "Write one.")
    if not text.strip() or len(text) > LONGEST:
        raise Invalid.field(
            "text", text, f"a letter has 1 to {LONGEST:,} characters.", "Shorten it, or write something."
        )
    written = {"title": title.strip(), "text": text.replace("\r\n", "\n").strip()}
    by = {"changed_at": clock.now(), "changed_by": reader.name}
    if not queries.change_letter(work, reader.outfit, id_, version, **written, **by):
        raise Conflict(
            "Someone else changed this letter in between. Nothing was stored; copy your words, open it again "
            "and put them in."
        )


def markdown(row: LetterRow) -> str:
    """The whole letter."""
    return f"# {row.title}\n\n{row.text}\n"


def pdf(row: LetterRow) -> bytes:
    """The letter on paper. Raises PdfMissing without the package for it."""
    try:
        import typst
    except ImportError:
        raise PdfMissing(
            "PDF files need the package typst. Install it with: pip install 'rimaye[pdf]', or take the "
            "letter as Markdown."
        ) from None
    data = json.dumps({"title": row.title, "date": f"{row.changed_at:%d %B %Y}", "blocks": blocks(row.text)})
    made = typst.compile(TEMPLATE.read_bytes(), sys_inputs={"letter": data}, ignore_system_fonts=True)
    assert isinstance(made, bytes)
    return made


def blocks(text: str) -> list[dict[str, object]]:
    """The little of Markdown that letters use: headings, lists, paragraphs, and what is bold in them."""
    found: list[dict[str, object]] = []
    paragraph: list[str] = []

    def end() -> None:
        if paragraph:
            found.append({"kind": "text", "runs": runs(" ".join(paragraph))})
            paragraph.clear()

    for line in (line.strip() for line in text.splitlines()):
        if line.startswith("#"):
            end()
            found.append({"kind": "heading", "runs": runs(line.lstrip("#").strip())})
        elif line.startswith(("- ", "* ")):
            end()
            found.append({"kind": "item", "runs": runs(line[2:].strip())})
        elif line:
            paragraph.append(line)
        else:
            end()
    end()
    return found


def runs(text: str) -> list[dict[str, object]]:
    """Stretches of a line, those between double stars bold."""
    parts = text.split("**")
    if len(parts) % 2 == 0:
        return [{"text": text, "bold": False}]
    return [{"text": part, "bold": at % 2 == 1} for at, part in enumerate(parts) if part]
