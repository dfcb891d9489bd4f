"""The demo's board at each moment of its story. All of it is invented; the expected lines are the
scenario's own."""

import pytest

from api.clock import FixedClock
from api.db import Database
from api.journal.service import Journal
from api.readiness.night_findings import REQUIREMENTS
from api.readiness.schemas import Board, GapKind
from api.readiness.service import Readiness
from seeds import demo, loading

OUTFIT = "quillstone"


class Story:
    """The demo, taken from moment to moment."""

    def __init__(self, database: Database) -> None:
        self.database = database
        self.clock = FixedClock(loading.begins_at(demo.moments(demo.scenario())[0]))
        self.journal = Journal(self.clock)
        self.readiness = Readiness(self.journal, self.clock, demo=True)
        loading.seed(database)

    def on(self) -> None:
        with self.database.writing() as work:
            moment = loading.advance(work, self.journal)
        assert moment is not None
        self.clock.set(loading.begins_at(moment))

    def board(self) -> Board:
        with self.database.reading() as conn:
            return self.readiness.board(conn, OUTFIT, demo.scenario().trip)

    def lines(self) -> dict[str, set[str]]:
        """Open findings by the group of the board they stand in."""
        groups: dict[str, set[str]] = {"stop": set(), "fix": set(), "advise": set(), "not known": set()}
        for finding in self.board().findings:
            if finding.requirement not in REQUIREMENTS:
                groups[finding.grade.value if finding.known_gap else "not known"].add(finding.id)
        return groups


@pytest.fixture
def story(database: Database) -> Story:
    return Story(database)


LAMP = {"p08.headlamp", "p08.headlamp-power"}


def test_everything_laid_out_and_nothing_fixed(story: Story) -> None:
    assert story.lines() == {
        "stop": {
            "p04.glacier-glasses",
            "p05.crampons",
            "p09.harness",
            "p10.parka",
            "p02.first-aid-certificate",
            "party.satellite-messenger",
        },
        "fix": {"p09.shell-trousers", "p10.sleeping-bag", *LAMP},
        "advise": {"p07.backup-mitts", "party.fuel", "p10.warm-at-night"},
        "not known": {"p06.helmet", "p06.gaiters"},
    }
    kinds = {finding.id: finding.kind for finding in story.board().findings}
    assert kinds["p06.helmet"] is GapKind.DISAGREE
    assert kinds["p06.gaiters"] is GapKind.UNSEEN


def test_leaving_base(story: Story) -> None:
    story.on()
    assert story.lines() == {
        "stop": set(),
        "fix": {"p10.sleeping-bag", *LAMP},
        "advise": {"p10.warm-at-night"},
        "not known": {"p06.gaiters"},
    }
    accepted = {"p07.backup-mitts", "party.fuel", "p11.nights"}
    assert {finding.id for finding in story.board().accepted} == accepted


def test_after_the_forecast_of_the_first_evening_hands_and_fuel_are_asked_again(story: Story) -> None:
    story.on()
    story.on()
    assert story.lines()["fix"] == {"p10.sleeping-bag", "p07.backup-mitts", "party.fuel", *LAMP}
    board = story.board()
    mitts = board.finding("p07.backup-mitts")
    assert mitts is not None
    assert mitts.hold == "high-camp"
    line = next(t for t in mitts.why_now if t.line is not None and t.threshold == 3600)
    assert (line.metric, line.value) == ("freezing_level_m", 3500)
    fuel = board.finding("party.fuel")
    assert fuel is not None
    assert "1210 g short" in fuel.reasons[0].says


def test_after_the_forecast_of_the_second_evening(story: Story) -> None:
    for _ in range(4):
        story.on()
    board = story.board()
    mitts, bag = board.finding("p07.backup-mitts"), board.finding("p10.sleeping-bag")
    assert mitts is not None
    assert bag is not None
    assert (mitts.grade, mitts.hold) == ("stop", "summit-start")
    chill = next(t for t in mitts.why_now if t.metric == "wind_chill_c")
    assert chill.value == pytest.approx(-24.8, abs=0.05)
    assert (bag.grade, bag.hold) == ("stop", "high-camp")
    assert bag.reasons[0].says == "More than 5 °C too warm-rated for the coldest night planned."
    assert {f.id for f in board.findings if f.grade == "stop"} >= LAMP


def test_the_story_ends(story: Story) -> None:
    for _ in range(len(demo.moments(demo.scenario())) - 1):
        story.on()
    with story.database.writing() as work:
        assert loading.advance(work, story.journal) is None


def test_seeding_twice_changes_nothing(story: Story) -> None:
    before = story.board()
    assert loading.seed(story.database) is False
    assert story.board() == before


def test_the_story_has_a_go_and_a_wait(story: Story) -> None:
    for _ in range(len(demo.moments(demo.scenario())) - 1):
        story.on()
    with story.database.reading() as conn:
        decided = story.journal.picture(conn, OUTFIT, demo.scenario().trip).picture.decided
    assert [(call.body.hold, call.body.decision) for call in decided.calls] == [
        ("base", "go"),
        ("summit-start", "wait"),
    ]
    assert set(decided.tripwires) == {"dry-mitts", "bergschrund-wind", "symptoms", "bergschrund-hour"}
    assert len(decided.views) == 4
