"""Pages as a browser without scripts gets them: complete, escaped, with nothing the policy refuses."""

from __future__ import annotations

import html
import re
from collections.abc import Iterator
from html.parser import HTMLParser

import pytest
from fastapi import FastAPI
from fastapi.routing import iter_route_contexts
from fastapi.testclient import TestClient
from jinja2 import UndefinedError

from api.access.current import Reader, Role
from api.access.permissions import ACTIONS
from api.readiness.board import sheet
from api.readiness.schemas import CAUTION, CLEAR_MEANS
from tests.support.pages import html_errors
from tests.web import preview, sample
from web.pages import mount_board, mount_pages
from web.pages.board_view import BoardView, by_zone
from web.pages.preferences import _own_path
from web.pages.screens import OUTFIT_SCREENS, TRIP_SCREENS, menu_at, outfit_links
from web.rendering import environment, forms_errors
from web.words import Units

BOARD = f"/trips/{sample.TRIP}"
FINDING = f"{BOARD}/findings/p09.harness"
PAGES = {
    "trips": "/",
    "board": BOARD,
    "board-in-demo": f"{BOARD}?demo",
    "board-late": f"{BOARD}?issue=F3",
    "board-clear": f"{BOARD}?clear",
    "board-unseen": f"{BOARD}?unseen",
    "board-without-list": f"{BOARD}?list=false",
    "finding": FINDING,
    "person": f"{BOARD}/people/p09",
    "rope": f"{BOARD}/ropes/r1",
    "party": f"{BOARD}/party",
    "forms": "/forms",
    "nobody": f"{BOARD}/people/nobody",
}


@pytest.fixture(scope="module")
def client() -> Iterator[TestClient]:
    with TestClient(preview.build(), headers={"accept": "text/html"}) as client:
        yield client


@pytest.fixture(scope="module")
def pages(client: TestClient) -> dict[str, str]:
    return {name: client.get(path).text for name, path in PAGES.items()}


class Attributes(HTMLParser):
    """Collects every attribute and the text of inline scripts and styles."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[tuple[str, str, str]] = []
        self.inline: list[str] = []
        self._in = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._in = tag if tag in ("script", "style") else ""
        self.found.extend((tag, name, value or "") for name, value in attrs)

    def handle_data(self, data: str) -> None:
        if self._in and data.strip():
            self.inline.append(data)


def seen(text: str) -> str:
    """The words of a page, without its marks."""
    body = re.sub(r"<svg.*?</svg>", " ", text, flags=re.S)
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", body)).split())


def test_pages_are_valid_html(pages: dict[str, str]) -> None:
    assert html_errors(pages) == []


@pytest.mark.parametrize("name", PAGES)
def test_nothing_on_a_page_needs_what_the_policy_refuses(pages: dict[str, str], name: str) -> None:
    reader = Attributes()
    reader.feed(pages[name])
    assert reader.inline == []
    assert [found for found in reader.found if found[1] == "style" or found[1].startswith("on")] == []
    assert [found for found in reader.found if found[1].startswith("hx-")] == []
    sources = [value for tag, name, value in reader.found if name in ("src", "href", "action")]
    assert [source for source in sources if not source.startswith(("/", "#"))] == []


@pytest.mark.parametrize("name", PAGES)
def test_a_page_has_one_main_heading_a_way_in_and_its_landmarks(pages: dict[str, str], name: str) -> None:
    assert pages[name].count("<h1") == 1
    for part in ('<html lang="en"', '<main id="page"', '<a class="skip" href="#page"', "<header", "<footer"):
        assert part in pages[name]


@pytest.mark.parametrize("name", [name for name in PAGES if name not in ("nobody", "forms")])
def test_every_page_with_a_verdict_carries_the_caution(pages: dict[str, str], name: str) -> None:
    assert CAUTION in pages[name]


def test_the_board_says_how_the_trip_stands_at_the_next_hold_point(pages: dict[str, str]) -> None:
    counts = sample.board().verdict.tally
    expected = f"At Harrow Station, leaving 11:30: {counts.stop} stops, {counts.fix} to fix"
    assert expected in seen(pages["board"])


def test_everyone_is_on_their_rope_in_rope_order(pages: dict[str, str]) -> None:
    for rope in sample.board().ropes:
        whole = pages["board"]
        places = [whole.index(f"/people/{person.member}") for person in rope.people]
        assert places == sorted(places)
        assert whole.index(f"/ropes/{rope.rope}") < places[0]


def test_every_finding_is_on_the_board_with_who_and_what(pages: dict[str, str]) -> None:
    text = seen(pages["board"])
    for finding in sample.board().findings:
        assert finding.subject_name in text
        assert finding.item in text
        if finding.known_gap:
            assert f'/findings/{finding.id}"' in pages["board"], "on a line of its own, or said for several"


def test_what_is_not_known_is_never_counted_among_what_is(pages: dict[str, str]) -> None:
    view = BoardView(sample.board())
    told = {finding.id for group in view.grades for finding in group.findings}
    unknown = {finding.id for group in view.unknown for finding in group.findings}
    assert told | unknown == {finding.id for finding in view.board.findings}
    assert not told & unknown
    assert f"Not known {len(unknown)}" in seen(pages["board"])


def test_a_board_on_which_nothing_is_known_yet_can_still_be_taken_in(pages: dict[str, str]) -> None:
    view = BoardView(sample.unseen_board())
    total = sum(group.how_many for group in view.unknown)
    text = seen(pages["board-unseen"])
    assert total > 500
    assert {f.requirement for group in view.grades for f in group.findings} == {"night-gain"}
    assert f"Not known {total:,}" in text or f"Not known {total}" in text
    assert len(pages["board-unseen"]) < 150_000
    for group in view.unknown:
        assert f"and {group.how_many - 3} more" in text or group.few
        assert all(finding.item in text for finding in group.findings)


def test_a_clear_board_says_what_clear_means_and_never_safe(pages: dict[str, str]) -> None:
    text = seen(pages["board-clear"])
    assert CLEAR_MEANS in text
    assert "nothing known missing" in text
    assert "safe" not in text.replace(CLEAR_MEANS, "").lower()


def test_without_a_kit_list_nothing_is_shown_as_clear(pages: dict[str, str]) -> None:
    assert 'class="state clear"' not in pages["board-without-list"]
    assert "None chosen, so nothing is asked." in seen(pages["board-without-list"])


def test_green_stands_only_beside_its_words(pages: dict[str, str]) -> None:
    for name, page in pages.items():
        knots = page.count('<svg class="knot clear"')
        said = page.count('class="state clear">Nothing known missing')
        assert said >= knots, name


def test_a_finding_tells_why_and_what_clears_it(pages: dict[str, str]) -> None:
    finding = sample.board().finding("p09.harness")
    assert finding is not None
    text = seen(pages["finding"])
    for part in (finding.why, finding.clears, finding.evidence[0].by, finding.hold_name):
        assert " ".join(part.split()) in text


def test_a_sheet_lists_every_requirement_once_in_the_order_of_a_check(pages: dict[str, str]) -> None:
    rows = sheet(sample.evaluation(), "p09")
    zones = by_zone(rows)
    assert sum(len(zone.rows) for zone in zones) == len(rows)
    assert len({zone.zone for zone in zones}) == len(zones)
    assert pages["person"].count('<li class="item') == len(rows)


def test_names_are_escaped() -> None:
    board = sample.board()
    nasty = board.model_copy(update={"name": "<script>alert(1)</script>", "disagreements": ("<b>x</b>",)})
    view = BoardView(nasty)
    template = environment().get_template("board/_board.html")
    none = {"plan": None, "picture": None, "watch": None, "turned": (), "may_come": ()}
    text = template.render(board=nasty, trip=nasty.trip, view=view, say=view.say(Units.METRIC), **none)
    assert "<script>" not in text
    assert "&lt;b&gt;x" in text


def test_a_name_nobody_gave_is_an_error() -> None:
    with pytest.raises(UndefinedError):
        environment().from_string("{{ nothing_of_this_name }}").render()


def test_a_part_is_only_sent_when_it_changed(client: TestClient) -> None:
    first = client.get(f"{BOARD}/_board")
    assert first.headers["cache-control"] == "private, no-cache"
    again = client.get(f"{BOARD}/_board", headers={"if-none-match": first.headers["etag"]})
    assert again.status_code == 304
    assert again.content == b""
    other = client.get(f"{BOARD}/_board?issue=F3", headers={"if-none-match": first.headers["etag"]})
    assert other.status_code == 200


def test_the_part_is_the_board_without_its_frame(client: TestClient, pages: dict[str, str]) -> None:
    part = client.get(f"{BOARD}/_board").text
    assert part.strip().startswith('<article id="board"')
    assert part.strip() in pages["board"]


def test_units_are_remembered_on_the_device(client: TestClient) -> None:
    answer = client.post("/units", data={"units": "us", "back": BOARD}, follow_redirects=False)
    assert (answer.status_code, answer.headers["location"]) == (303, BOARD)
    assert "15,050\N{NO-BREAK SPACE}ft" in client.get(BOARD).text
    client.post("/units", data={"units": "metric"})
    assert "4,586\N{NO-BREAK SPACE}m" in client.get(BOARD).text


@pytest.mark.parametrize(
    "back", ["//evil.example", "https://evil.example/", "/\\evil.example", "javascript:1", ""]
)
def test_one_is_never_sent_to_another_site(back: str) -> None:
    assert _own_path(back) == "/"


def test_an_unknown_unit_is_refused_with_its_remedy(client: TestClient) -> None:
    answer = client.post("/units", data={"units": "cubits"})
    assert answer.status_code == 422
    assert "Use one of: metric, us." in seen(answer.text).replace("'", "")


def test_a_problem_is_the_same_on_the_page_as_in_json(client: TestClient) -> None:
    path = PAGES["nobody"]
    problem = client.get(path, headers={"accept": "application/json"}).json()
    page = client.get(path)
    part = client.get(path, headers={"hx-request": "true"})
    for answer in (page, part):
        assert answer.status_code == problem["status"] == 404
        assert problem["title"] in answer.text
        assert problem["detail"] in seen(answer.text)
    assert "<html" not in part.text


def test_form_fields_tie_label_hint_and_error_together() -> None:
    wrong = {"field": "level", "value": "x", "message": "Not a number.", "remedy": "Write 3900."}
    text = (
        environment()
        .from_string(
            '{% import "_forms.html" as forms %}'
            '{{ forms.field("level", "Level", value="<x>", hint="As forecast.", errors=errors, unit="m") }}'
            '{{ forms.choice("how", "How", [("a", "A"), ("b", "B", "why")], value="b") }}'
        )
        .render(errors=forms_errors({"fields": [wrong]}))
    )
    assert '<label for="level">' in text
    assert 'aria-describedby="level-hint level-wrong"' in text
    assert 'aria-invalid="true"' in text
    assert "Not a number. Write 3900." in text
    assert 'value="&lt;x&gt;"' in text
    assert re.search(r'value="b" checked', text)
    assert forms_errors(None) == {}


@pytest.mark.parametrize(("role", "offered"), [("lead", True), ("assistant", False), ("office", True)])
def test_only_screens_one_may_open_are_offered(role: Role, offered: bool) -> None:
    reader = Reader(outfit="o", staff="s", name="N", role=role)
    assert ("/new-trip" in dict(outfit_links(reader))) is offered
    menu = menu_at(f"{BOARD}/nights", reader)
    assert menu is not None
    assert (BOARD, "Board") in menu.first
    assert f"{BOARD}/plan" in {address for _, links in menu.more for address, _ in links}


@pytest.mark.parametrize("path", ["/", "/trips", "/trips/", "/locker", "/kit-lists/trips/x"])
def test_a_page_about_no_trip_has_no_menu_of_one(path: str) -> None:
    assert menu_at(path, Reader(outfit="o", staff="s", name="N", role="lead")) is None
    assert menu_at(f"{BOARD}/nights", None) is None


def test_every_screen_that_is_offered_is_there_and_needs_the_action_it_names() -> None:
    app = FastAPI()
    mount_board(app)
    mount_pages(app)
    at = {context.path: context for context in iter_route_contexts(app.routes) if "GET" in context.methods}
    screens = [(f"/trips/{{trip}}{end}", action) for _, group in TRIP_SCREENS for end, _, action in group]
    screens += [(address, action) for address, _, action in OUTFIT_SCREENS]
    assert [address for address, action in screens if address not in at] == []
    assert all(action in ACTIONS for _, action in screens)
