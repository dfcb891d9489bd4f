"""Pages of flags, ropes and party: they work without JavaScript and keep what was typed."""

from collections.abc import Iterator

import pytest
from fastapi import FastAPI

from api.access.current import Reader, Role, current_reader
from api.clock import FixedClock
from seeds import demo, loading
from tests.support.client import IsolatedTestClient

pytestmark = pytest.mark.one_database
TRIP = demo.scenario().trip
AT = f"/trips/{TRIP}"
MITTS = f"{AT}/flags/p07.backup-mitts"
CAUTION = "The final call rests with the licensed guides"


def read_as(app: FastAPI, role: Role) -> None:
    reader = Reader(
        outfit="quillstone", staff=f"some-{role}", name=f"Some {role}", role=role, everywhere=True
    )
    app.dependency_overrides[current_reader] = lambda: reader


@pytest.fixture
def client(app: FastAPI, clock: FixedClock) -> Iterator[IsolatedTestClient]:
    with IsolatedTestClient(app, follow_redirects=True) as client:
        loading.seed(app.state.db)
        clock.set(demo.moments(demo.scenario())[0].at)
        read_as(app, "lead")
        yield client


class TestQueues:
    @pytest.mark.parametrize("queue", ["hold", "mine", "free", "all", "rope&rope=r2"])
    def test_every_queue_is_a_page_with_the_caution(self, client: IsolatedTestClient, queue: str) -> None:
        answer = client.get(f"{AT}/flags?queue={queue}")
        assert answer.status_code == 200
        assert CAUTION in answer.text

    def test_an_unknown_rope_is_not_found(self, client: IsolatedTestClient) -> None:
        assert client.get(f"{AT}/flags?queue=rope&rope=r9").status_code == 404


class TestOneFlag:
    def test_taken_shown_as_mine_and_given_back(self, client: IsolatedTestClient) -> None:
        sent = {"until": "3h", "note": "pool <b>pair</b>", "seen_seq": "1"}
        taken = client.post(f"{MITTS}/take", data=sent)
        assert "Some lead sees to it" in taken.text
        assert "pool &lt;b&gt;pair&lt;/b&gt;" in taken.text
        assert "Yusuf Demirkaya" in client.get(f"{AT}/flags?queue=mine").text
        given = client.post(f"{MITTS}/give-back", data={"seen_seq": "1"})
        assert "sees to it</strong>" not in given.text

    def test_swapped_in_place_when_asked_by_the_board(self, client: IsolatedTestClient) -> None:
        answer = client.post(
            f"{MITTS}/take", data={"until": "hold", "part": "row"}, headers={"HX-Request": "true"}
        )
        assert answer.text.lstrip().startswith("<li")
        assert "Give it back" in answer.text

    def test_a_choice_that_is_none_comes_back_with_what_was_typed(self, client: IsolatedTestClient) -> None:
        answer = client.post(f"{MITTS}/take", data={"until": "never", "note": "keep me"})
        assert answer.status_code == 422
        assert "keep me" in answer.text
        assert "Choose until when you see to it." in answer.text

    def test_an_acceptance_is_let_out_to_a_worse_number_by_a_new_one(
        self, client: IsolatedTestClient
    ) -> None:
        client.post(f"{MITTS}/accept", data={"reason": "spare pair on rope 3"})
        page = client.get(MITTS).text
        assert "Accept it anew, for other numbers" in page
        field = "wider.freezing_level_m.not-below"
        assert f'name="{field}"' in page
        wide = client.post(f"{MITTS}/accept", data={"reason": "dry pairs for all", field: "3700"})
        assert "not below 3,700" in wide.text
        assert "dry pairs for all" in wide.text
        wrong = client.post(f"{MITTS}/accept", data={"reason": "dry pairs for all", field: "4400"})
        assert wrong.status_code == 422
        assert "is no worse than freezing level is now" in wrong.text

    @pytest.mark.parametrize("role", ["office", "admin"])
    def test_the_office_records_what_it_was_sent_and_no_more(
        self, app: FastAPI, client: IsolatedTestClient, role: Role
    ) -> None:
        read_as(app, role)
        papers = f"{AT}/flags/p02.first-aid-certificate"
        page = client.get(papers).text
        assert 'name="known" value="pictured"' in page
        assert 'value="tried"' not in page
        assert "recorded by the guides of the trip" in page
        sent = {"state": "fits", "answer-valid-to": "2029-09-01", "seen_seq": "999"}
        refused = client.post(f"{papers}/record", data=sent | {"known": "tried"})
        assert refused.status_code == 422
        assert "is for the guides of the trip" in refused.text
        assert "Cleared." in client.post(f"{papers}/record", data=sent | {"known": "pictured"}).text

    def test_accepting_needs_a_reason_and_shows_what_it_holds_for(self, client: IsolatedTestClient) -> None:
        assert client.post(f"{MITTS}/accept", data={"reason": " "}).status_code == 422
        answer = client.post(f"{MITTS}/accept", data={"reason": "spare pair on rope 3"})
        assert "Accepted by Some lead" in answer.text
        assert "Freezing level on Shelf Camp to Kessandry not below 3,900" in answer.text
        ended = client.post(f"{MITTS}/end-acceptance", data={"reason": "wet by now"})
        assert "took the acceptance back: wet by now" in ended.text

    def test_an_assistant_is_offered_no_acceptance_and_refused_one(
        self, app: FastAPI, client: IsolatedTestClient
    ) -> None:
        read_as(app, "assistant")
        assert "Accept by name" not in client.get(MITTS).text
        assert client.post(f"{MITTS}/accept", data={"reason": "why not"}).status_code == 403

    def test_recorded_it_is_cleared_and_says_by_what(self, client: IsolatedTestClient) -> None:
        sent = {
            "known": "seen",
            "state": "fits",
            "answer-second-pair": "yes",
            "answer-dry-bagged": "yes",
            "remark": "bought at the desk",
            "seen_seq": str(client.get(f"/api/trips/{TRIP}/board").json()["seq"]),
        }
        answer = client.post(f"{MITTS}/record", data=sent)
        assert "Cleared." in answer.text
        assert "Some lead recorded it: seen, fits (bought at the desk)" in answer.text

    def test_recorded_without_an_answer_that_matters_it_stays_open(self, client: IsolatedTestClient) -> None:
        answer = client.post(f"{MITTS}/record", data={"known": "seen", "state": "fits"})
        assert "Cleared." not in answer.text
        assert "Not known." in answer.text

    def test_recorded_without_having_seen_what_stands_it_is_a_disagreement(
        self, client: IsolatedTestClient
    ) -> None:
        sent = {"known": "seen", "state": "fits", "seen_seq": "1"}
        answer = client.post(f"{MITTS}/record", data=sent)
        assert "two records that did not know of each other" in answer.text

    def test_an_unusable_record_says_what_is_wrong(self, client: IsolatedTestClient) -> None:
        answer = client.post(f"{MITTS}/record", data={"known": "", "state": "fits", "remark": "keep me"})
        assert answer.status_code == 422
        assert "keep me" in answer.text

    def test_after_the_forecast_it_says_what_changed(self, app: FastAPI, client: IsolatedTestClient) -> None:
        for _ in range(2):
            with app.state.db.writing() as work:
                loading.advance(work, app.state.journal)
        text = client.get(MITTS).text
        assert "Asked again." in text
        assert "Maren Okafor-Lindqvist had accepted it" in text
        assert "now 3,350 m, was 3,900 m, the line is 3,600 m" in text

    def test_what_never_was_is_not_found(self, client: IsolatedTestClient) -> None:
        assert client.get(f"{AT}/flags/p99.nothing").status_code == 404


class TestRopes:
    def test_the_page_shows_rules_with_their_source_and_the_numbers(self, client: IsolatedTestClient) -> None:
        text = client.get(f"{AT}/ropes-check").text.replace("\N{NO-BREAK SPACE}", " ")
        assert "VHR-26-0417" in text
        assert "At most 3 clients per guide" in text
        assert "3 clients to 1 guide" in text
        assert CAUTION in text

    def test_if_they_stay_is_plainly_a_what_if(self, client: IsolatedTestClient) -> None:
        before = client.get(f"/api/trips/{TRIP}/board").json()["seq"]
        query = "who-p03=stay&who-p11=stay&rope-p10=r1"
        text = client.get(f"{AT}/if-they-stay?{query}").text
        assert "A what-if. Nothing here is written down" in text
        assert "This breaks a rule of the permit." in text
        assert "4 clients to 1 on this rope" in text
        assert client.get(f"/api/trips/{TRIP}/board").json()["seq"] == before
        whole = client.get(f"{AT}/if-they-stay?who-p03=stay&who-p11=stay&who-p10=stay").text
        assert "breaks a rule" not in whole
        assert "who would carry it is not known" in whole

    def test_if_they_stay_over_the_api(self, client: IsolatedTestClient) -> None:
        at = f"/api/trips/{TRIP}/if-they-stay"
        answer = client.get(at, params={"stay": ["p03", "p11"], "move": "p10:r2"}).json()
        assert (answer["what_if"], answer["breaks_permit"]) == (True, True)
        assert client.get(at, params={"stay": "p99"}).json()["fields"][0]["field"] == "stay"
        assert client.get(at, params={"stay": "p11", "move": "p10:r9"}).status_code == 422

    def test_group_gear_is_proposed_changed_by_hand_and_saved(self, client: IsolatedTestClient) -> None:
        proposal = client.get(f"/api/trips/{TRIP}/group-gear/proposal").json()
        assert all(unit["carrier"] for unit in proposal["units"])
        assert "Nothing is saved yet" in client.get(f"{AT}/group-gear?propose=1").text
        sent = {"party.stoves.1": "p05", "party.stoves.2": "p05", "party.stoves.3": "p05"}
        saved = client.post(f"{AT}/group-gear", data=sent)
        assert "Saved." in saved.text
        assert "All 3 stoves are with Tomasz Wierzba" in client.get(f"{AT}/ropes-check").text
        wrong = client.post(f"{AT}/group-gear", data={"party.stoves.1": "nobody"})
        assert wrong.status_code == 422

    def test_a_rule_is_entered_taken_into_the_trip_and_held_against_it(
        self, client: IsolatedTestClient
    ) -> None:
        rule = {
            "id": "tight",
            "title": "Tighter permit",
            "terrain": "glacier",
            "max_clients_per_guide": "2",
            "source": "at most two",
        }
        assert "Tighter permit" in client.post("/party-rules", data=rule).text
        assert client.post("/party-rules", data=rule).status_code == 409
        client.post(f"{AT}/ropes-check/rules", data={})
        text = client.get(f"{AT}/ropes-check").text
        assert "3 clients to 1 on this rope, at most 2 are allowed" in text
        refused = client.post(f"{AT}/flags/r1.rope-ratio/accept", data={"reason": "it will do"})
        assert refused.status_code == 409
        assert "cannot be accepted away" in refused.text
        assert "Out of use." in client.post("/party-rules/tight/end").text
        assert client.post(f"{AT}/ropes-check/rules", data={}).status_code == 409

    def test_a_rule_is_changed_by_one_in_its_place(self, client: IsolatedTestClient) -> None:
        rule = {
            "title": "Ridge permit 7",
            "max_party": "9",
            "source": "Condition 2: at most nine",
            "effective_from": "2026-05-01",
        }
        assert "Ridge permit 7" in client.post("/party-rules", data=rule).text
        form = client.get("/party-rules?change=ridge-permit-7").text
        assert 'name="replaces" value="ridge-permit-7"' in form
        assert 'value="2026-05-01"' in form
        changed = rule | {
            "replaces": "ridge-permit-7",
            "max_party": "8",
            "source": "Condition 2: at most eight",
        }
        wrong = client.post("/party-rules", data=changed | {"max_party": "none"})
        assert wrong.status_code == 422
        assert 'name="replaces" value="ridge-permit-7"' in wrong.text
        assert "Condition 2: at most eight" in client.post("/party-rules", data=changed).text
        rows = client.get("/api/party-rules").json()["rules"]
        ours = [(r["rule"]["id"], r["rule"]["max_party"], r["ended_at"] is None) for r in rows]
        assert [row for row in ours if row[0].startswith("ridge")] == [
            ("ridge-permit-7", 9, False),
            ("ridge-permit-7-2", 8, True),
        ]

    def test_a_rule_that_limits_nothing_comes_back_with_what_was_typed(
        self, client: IsolatedTestClient
    ) -> None:
        answer = client.post("/party-rules", data={"id": "x", "title": "Keep me", "source": "text"})
        assert answer.status_code == 422
        assert "Keep me" in answer.text

    def test_rules_are_not_for_assistants(self, app: FastAPI, client: IsolatedTestClient) -> None:
        read_as(app, "assistant")
        assert client.get("/party-rules").status_code == 403
        assert client.post("/party-rules", data={}).status_code == 403
