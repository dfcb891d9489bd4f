"""Where people stand, in words: on the board for guides, as counts for others, and erased where it is."""

import pytest

from api.access.current import ROLE_COOKIE, Role
from api.db import Database
from api.journal.health import Mark
from api.journal.service import actor_of
from api.main import create_app
from api.nights import erasing
from api.nights.rules import assessments
from api.nights.state import Word, erased_since, everyone, held_by_erased
from api.readiness.board import board
from api.readiness.board_nights import ERASED_SINCE, as_it_can_be_read, with_acclimatisation
from api.readiness.service import Readiness
from api.settings import Settings
from seeds import loading
from tests.nights.building import CLIMBER, Story, plan
from tests.nights.conftest import HER, OUTFIT, TRIP, Camp, reader
from tests.support.client import IsolatedTestClient

LOW = dict.fromkeys(range(-4, 0), 2400.0)


def stands(story: Story) -> tuple[str, str]:
    picture = story.picture
    assert picture.trip is not None
    one = everyone(picture, assessments(picture.trip, picture))["mara"]
    return one.state.value, one.words


def test_by_the_heights_alone() -> None:
    assert stands(Story(plan([2900, 3300])).slept(LOW)) == ("within", "within the guideline")
    assert stands(Story(plan([2900, 3330, 4150])).slept(LOW)) == ("above", "above the guideline")
    assert stands(Story(plan([3240, 3700]))) == ("unknown", "not known")
    assert stands(Story(plan([3240, 3780]))) == ("above", "above the guideline, in part not known")


def test_marks_outrank_heights_and_say_no_more_than_they_do() -> None:
    story = Story(plan([2900])).slept(LOW)
    assert stands(story.noted(Mark.OPEN)) == (
        "symptoms",
        "symptoms to look into; nights within the guideline",
    )
    held = "symptoms or a private talk: goes no higher for now; nights within the guideline"
    assert stands(story.noted(Mark.HOLD)) == ("symptoms", held)
    assert stands(story.noted(Mark.CLEAR, by=CLIMBER)) == ("symptoms", held), "only a guide's note clears"
    assert stands(story.erased())[0] == "erased"
    assert stands(story.noted(Mark.CLEAR, key="k2")) == ("within", "within the guideline")


def test_erased_since_is_said_of_those_it_is_true_of() -> None:
    story = Story(plan([2900]), ("mara", "noor")).noted(Mark.HOLD)
    then = story.picture
    assert erased_since(then, then) == held_by_erased(then, then) == ()
    now = story.erased().picture
    assert erased_since(then, now) == held_by_erased(then, now) == ("mara",)


def as_role(client: IsolatedTestClient, role: Role) -> None:
    client.cookies.set(ROLE_COOKIE, role, domain="127.0.0.1", path="/")


def test_guides_get_words_and_the_office_counts(database: Database, settings: Settings) -> None:
    loading.seed(database)
    with IsolatedTestClient(create_app(settings.model_copy(update={"demo": True}))) as client:
        for _ in range(3):
            client.post("/demo/clock", data={"move": "next"}, headers={"origin": "http://127.0.0.1"})
        for role in ("office", "assistant", "lead", "admin"):
            as_role(client, role)
            shown = client.get(f"/api/trips/{TRIP}/board").json()
            lines = [line for rope in shown["ropes"] for line in rope["people"]]
            told = {line["member"]: line["acclimatisation"] for line in lines}
            page, part = client.get(f"/trips/{TRIP}").text, client.get(f"/trips/{TRIP}/_board").text
            walk = client.get(f"/trips/{TRIP}/call").text
            assert shown["acclimatisation"]["symptoms"] == 1
            assert sum(shown["acclimatisation"].values()) == len(lines) == len(told)
            guide = role in ("lead", "assistant")
            assert all((line is not None) is guide for line in told.values())
            for text in (page, part):
                assert "Nights against the guideline: " in text
                assert ("goes no higher for now; nights" in text) is guide
            assert ("Moon Hye-jin: Symptoms or a private talk" in walk) is guide
            if not guide:
                assert "1 person: Symptoms or a private talk." in walk


def erased_past(camp: Camp) -> tuple[str, str, dict[str, int]]:
    """Title and words about her on the past board, before she was erased, as it reads now; and the counts."""
    readiness = Readiness(camp.journal, camp.clock)
    seq = camp.snapshot().seq
    with camp.database.writing() as work:
        erasing.erase(work, camp.health, OUTFIT, TRIP, actor_of(reader("lead")), HER)
    with camp.database.reading() as conn:
        then = readiness.evaluation(conn, OUTFIT, TRIP, seq=seq)
        now = readiness.evaluation(conn, OUTFIT, TRIP).picture
    shown = as_it_can_be_read(board(then, now=camp.clock.now()), then, now, named=True)
    line = next(p for rope in shown.ropes for p in rope.people if p.member == HER)
    assert line.acclimatisation is not None
    title = next(f.title for f in shown.findings if f.id == f"{HER}.private-note")
    return title, line.acclimatisation.words, shown.acclimatisation.model_dump()


def test_a_past_board_says_erased(camp: Camp) -> None:
    title, words, counts = erased_past(camp)
    assert title == f"Moon Hye-jin: Private note – {ERASED_SINCE}"
    assert words.startswith("notes erased while they held this person back: ask")
    assert (counts["erased"], counts["symptoms"]) == (1, 0)


def test_without_names_a_board_has_none(camp: Camp) -> None:
    with camp.database.reading() as conn:
        evaluation = Readiness(camp.journal, camp.clock).evaluation(conn, OUTFIT, TRIP)
    shown = with_acclimatisation(board(evaluation, now=camp.clock.now()), evaluation, named=False)
    assert all(line.acclimatisation is None for rope in shown.ropes for line in rope.people)
    assert set(shown.acclimatisation.model_dump()) == {word.value for word in Word}


@pytest.mark.parametrize("role", ["lead", "office"])
def test_every_page_of_that_past_time_says_erased(database: Database, settings: Settings, role: Role) -> None:
    here = {"origin": "http://127.0.0.1"}
    loading.seed(database)
    with IsolatedTestClient(create_app(settings.model_copy(update={"demo": True}))) as client:
        for _ in range(3):
            client.post("/demo/clock", data={"move": "next"}, headers=here)
        as_role(client, "lead")
        made = {"decision": "wait", "reason": "for her to feel better"}
        answer = client.post(f"/api/trips/{TRIP}/calls", json=made, headers=here)
        assert answer.status_code == 201, answer.text
        seq, call = answer.json()["seq"], answer.json()["call"]
        client.post(f"/trips/{TRIP}/nights/people/{HER}/erase", data={"sure": "yes"}, headers=here)
        as_role(client, role)
        for path in (f"past?seq={seq}", f"calls/{call}"):
            text = client.get(f"/trips/{TRIP}/{path}").text
            line = text[text.index('id="erased"') :].split("</p>")[0]
            assert "erased" in line
            assert ("Moon Hye-jin" in line) is (role == "lead"), path
        if role == "lead":
            assert "Erased" in client.get(f"/trips/{TRIP}/nights/notes?seq={seq}").text
