"""The locker's pages as a guide uses them: forms in, pages out, no script needed."""

import re
from dataclasses import replace
from html import unescape

import pytest

from api.db import Database
from api.locker import queries
from tests.locker.conftest import OTHER, OUTFIT, TRIP
from tests.support.client import IsolatedTestClient

pytestmark = pytest.mark.one_database
COVER, LOANS = f"/trips/{TRIP}/cover", f"/trips/{TRIP}/loans"
HTML = {"accept": "text/html"}


def text_of(client: IsolatedTestClient, address: str, status: int = 200) -> str:
    answer = client.get(address, headers=HTML)
    assert answer.status_code == status, answer.text
    return unescape(answer.text)


def lines_of(page: str) -> list[str]:
    return re.findall(r'name="lines" value="([^"]+)"', page)


class TestList:
    def test_shows_things_with_their_state_in_words(self, lent: IsolatedTestClient) -> None:
        page = text_of(lent, "/locker")
        assert "Warm parka with hood, size M (pa-01)" in page
        assert "Hit by a stone" in page

    def test_free_between_days_leaves_out_what_is_promised(self, lent: IsolatedTestClient) -> None:
        asked = "/locker?what=parka&free_from=2026-09-12&free_until=2026-09-15&free_only=yes"
        page = text_of(lent, asked)
        assert "pa-01" in page
        assert "(pa-02)" not in page
        assert "(pa-02)" in text_of(lent, "/locker?what=parka&free_from=2026-10-01&free_only=yes")

    def test_days_in_the_wrong_order_are_said_beside_what_was_typed(self, lent: IsolatedTestClient) -> None:
        page = text_of(lent, "/locker?free_from=2026-09-15&free_until=2026-09-12", 422)
        assert "Give days in order." in page
        assert 'value="2026-09-15"' in page

    @pytest.mark.parametrize("label", ["pa-01", " PA-01 ", "https://example.test/locker/items/pa-01"])
    def test_typed_or_scanned_label_leads_to_the_thing(self, lent: IsolatedTestClient, label: str) -> None:
        answer = lent.get("/locker/find", params={"label": label}, follow_redirects=False)
        assert answer.headers["location"] == "/locker/items/pa-01"

    def test_unknown_label(self, lent: IsolatedTestClient) -> None:
        assert "has no 'zz-99'" in text_of(lent, "/locker/find?label=zz-99", 404)

    def test_labels_carry_a_code_and_the_id(self, lent: IsolatedTestClient) -> None:
        page = text_of(lent, "/locker/labels?item=pa-01&item=sb-01")
        assert page.count('class="qr"') == 2
        assert "pa-01" in page
        assert "style=" not in page.split("<main", 1)[1], "the security policy forbids inline style"


class TestThing:
    def test_life_and_history(self, lent: IsolatedTestClient) -> None:
        page = text_of(lent, "/locker/items/ha-02")
        assert "Usable until 5 June 2030: 7 years from when it was first used" in page
        assert "category III" in page
        assert "Petra Vasilenko" in page

    def test_damage_quarantine_and_release_by_name(self, lent: IsolatedTestClient, db: Database) -> None:
        held = lent.post("/locker/items/cr-01/quarantine", data={"reason": "point bent"}, headers=HTML)
        assert "In quarantine since 12 September 2026: point bent" in held.text
        refused = lent.post("/locker/items/cr-01/release", data={"found": "straightened"}, headers=HTML)
        assert refused.status_code == 422
        assert "straightened" in refused.text, "what was typed is kept"
        lent.post(
            "/locker/items/cr-01/release",
            data={"examined_by": "Tashi Wangdrak", "found": "filed, no crack"},
            headers=HTML,
        )
        with db.reading() as conn:
            item = queries.item(conn, OUTFIT, "cr-01")
            said = [event.says for event in queries.events(conn, OUTFIT, "cr-01")]
        assert item is not None
        assert item.quarantined_at is None
        assert said[0] == "Examined by Tashi Wangdrak: filed, no crack"

    def test_enter_and_change(self, lent: IsolatedTestClient, db: Database) -> None:
        form = {
            "id": "mi-09",
            "what": "Insulated mitts",
            "meets": "mitts, backup-mitts",
            "sized_by": "hands",
            "size": "L",
            "answers": "kind: mitt\nleash: yes",
        }
        page = lent.post("/locker/items/new", data=form, headers=HTML)
        assert page.status_code == 200, page.text
        assert "Insulated mitts, size L" in page.text
        lent.post("/locker/items/mi-09/change", data=form | {"size": "XL"}, headers=HTML)
        with db.reading() as conn:
            item = queries.item(conn, OUTFIT, "mi-09")
            said = [event.says for event in queries.events(conn, OUTFIT, "mi-09")]
        assert item is not None
        assert (item.size, item.answers) == ("XL", {"kind": "mitt", "leash": True})
        assert said[0] == "size: L → XL"

    def test_size_off_its_scale_comes_back_on_the_form(self, lent: IsolatedTestClient) -> None:
        form = {"id": "x-1", "what": "Mitts", "meets": "mitts", "sized_by": "hands", "size": "huge"}
        page = lent.post("/locker/items/new", data=form, headers=HTML)
        assert page.status_code == 422
        assert "no size on the scale glove letter" in unescape(page.text)
        assert 'value="huge"' in page.text

    def test_what_people_type_is_text(self, lent: IsolatedTestClient) -> None:
        form = {"id": "x-1", "what": "<script>alert(1)</script>{{7*7}}", "meets": "mitts"}
        page = lent.post("/locker/items/new", data=form, headers=HTML).text
        assert "<script>alert" not in page
        assert "{{7*7}}" in page

    def test_retired_thing_is_not_touched_again(self, lent: IsolatedTestClient) -> None:
        answer = lent.post("/locker/items/ha-01/quarantine", data={"reason": "x"}, headers=HTML)
        assert answer.status_code == 409
        assert "was retired on 2026-04-21" in answer.text


class TestCoverPage:
    def test_plan_in_words_with_the_caution(self, lent: IsolatedTestClient) -> None:
        page = text_of(lent, COVER)
        assert "Covers 4 of 5 stops" in page
        assert "Chiara Bonfanti gets Warm parka with hood, size M from the locker (pa-01)" in page
        assert "final call rests with the licensed guides" in page

    def test_ticked_lines_are_promised_and_the_gaps_stay_open(self, lent: IsolatedTestClient) -> None:
        lines = lines_of(text_of(lent, COVER))
        before = lent.get(f"/api/trips/{TRIP}/findings").json()["findings"]
        page = lent.post(COVER, data={"lines": lines[:2]}, headers=HTML)
        assert page.url.path == LOANS
        assert page.text.count("promised, not seen yet") == 2
        assert len(lines_of(text_of(lent, COVER))) == len(lines) - 2
        after = lent.get(f"/api/trips/{TRIP}/findings").json()["findings"]
        assert after == before, "promised gear is not seen yet"

    def test_nothing_ticked(self, lent: IsolatedTestClient) -> None:
        page = lent.post(COVER, data={}, headers=HTML)
        assert page.status_code == 422
        assert "Tick at least one line" in page.text

    def test_line_that_is_gone_is_named_and_the_others_stand(self, lent: IsolatedTestClient) -> None:
        lines = lines_of(text_of(lent, COVER))
        lent.post("/locker/items/pa-01/quarantine", data={"reason": "zip torn"}, headers=HTML)
        page = unescape(lent.post(COVER, data={"lines": lines}, headers=HTML).text)
        assert f"{len(lines) - 1}\u00a0lines promised; the others could not be kept" in page
        assert "p10.parka: Not to be had any more." in page
        assert "zip torn" in page


class TestLoanPages:
    def lend(self, client: IsolatedTestClient, finding: str) -> str:
        line = next(line for line in lines_of(text_of(client, COVER)) if line.startswith(f"{finding}|"))
        client.post(COVER, data={"lines": [line]}, headers=HTML)
        found = re.findall(rf'href="({LOANS}/loan-[^"]+)"', text_of(client, LOANS))
        return str(found[0])

    def test_tried_on_closes_the_gap_and_coming_back_opens_it(self, lent: IsolatedTestClient) -> None:
        loan = self.lend(lent, "p10.parka")
        assert "Goes over the four other layers" in text_of(lent, loan)
        lent.post(f"{loan}/hand-out", data={"known": "tried", "answers.over-all": "yes"}, headers=HTML)
        assert "p10.parka" not in self.open_findings(lent)
        lent.post(f"{loan}/return", data={"condition": "fine"}, headers=HTML)
        assert "p10.parka" in self.open_findings(lent)

    def test_handed_out_unseen_closes_nothing(self, lent: IsolatedTestClient) -> None:
        loan = self.lend(lent, "p10.parka")
        lent.post(f"{loan}/hand-out", data={"known": ""}, headers=HTML)
        assert "p10.parka" in self.open_findings(lent)

    def test_damage_needs_words_and_puts_it_in_quarantine(
        self, lent: IsolatedTestClient, db: Database
    ) -> None:
        loan = self.lend(lent, "p09.harness")
        lent.post(f"{loan}/hand-out", data={}, headers=HTML)
        silent = lent.post(f"{loan}/return", data={"condition": "damaged"}, headers=HTML)
        assert silent.status_code == 422
        lent.post(f"{loan}/return", data={"condition": "damaged", "remark": "leg loop cut"}, headers=HTML)
        with db.reading() as conn:
            item = queries.item(conn, OUTFIT, "ha-02")
        assert item is not None
        assert item.quarantine_reason.endswith("leg loop cut")
        assert item.days_used == 39, "one more day on the trip"

    def test_twice_handed_out_is_refused(self, lent: IsolatedTestClient) -> None:
        loan = self.lend(lent, "p10.parka")
        lent.post(f"{loan}/hand-out", data={}, headers=HTML)
        again = lent.post(f"{loan}/hand-out", data={}, headers=HTML)
        assert again.status_code == 409
        assert "it has to be promised" in again.text

    def test_promise_by_hand_and_let_go(self, lent: IsolatedTestClient) -> None:
        form = {"item": "he-01", "subject": "p06", "requirement": "helmet", "units": "1"}
        page = lent.post(f"{LOANS}/new", data=form, headers=HTML)
        assert "Aroha Tūmanako, Climbing helmet" in page.text
        again = lent.post(f"{LOANS}/new", data=form, headers=HTML)
        assert again.status_code == 409
        assert "promised to Kessandry by the Anselt Glacier" in again.text
        loan = str(re.findall(rf'href="({LOANS}/loan-[^"]+)"', page.text)[0])
        lent.post(f"{loan}/release", data={}, headers=HTML)
        assert lent.post(f"{LOANS}/new", data=form, headers=HTML).status_code == 200

    def test_loan_of_another_trip_is_not_found(self, lent: IsolatedTestClient) -> None:
        assert lent.get(f"{LOANS}/loan-pa-02", headers=HTML).status_code == 404
        assert lent.get(f"/trips/{OTHER}/loans/loan-pa-02", headers=HTML).status_code == 200

    def open_findings(self, client: IsolatedTestClient) -> set[str]:
        found = client.get(f"/api/trips/{TRIP}/findings").json()["findings"]
        return {finding["id"] for finding in found}


@pytest.mark.one_database
class TestBuyingList:
    WARM: dict[str, str] = {
        "what": "Hand warmers",
        "place": "the hut at Moraine Camp",
        "meets": "hand-warmers, mitts",
        "until": "2026-09-13T18:00",
        "price": "2,50",
        "currency": "EUR",
        "answers": "leash: yes\nkind: mitt",
    }

    def test_entered_changed_and_taken_off(self, lent: IsolatedTestClient) -> None:
        added = lent.post("/locker/shops/new", data=self.WARM, headers=HTML)
        assert added.url.path == "/locker/shops"
        assert "the hut at Moraine Camp, 2.5 EUR, until" in added.text
        kept = next(s for s in lent.get("/api/locker/shops").json()["shops"] if s["what"] == "Hand warmers")
        assert (kept["meets"], kept["answers"]) == (
            ["hand-warmers", "mitts"],
            {"leash": True, "kind": "mitt"},
        )
        assert kept["until"] == "2026-09-13T12:00:00Z", "typed in the time of the place"
        form = lent.get(f"/locker/shops/{kept['id']}", headers=HTML)
        assert 'value="2026-09-13T18:00"' in form.text
        lent.post(f"/locker/shops/{kept['id']}", data=self.WARM | {"price": "3"}, headers=HTML)
        again = lent.get("/api/locker/shops").json()["shops"]
        assert [s["price"] for s in again if s["id"] == kept["id"]] == [3]
        gone = lent.post(f"/locker/shops/{kept['id']}/remove", headers=HTML)
        assert "Hand warmers" not in gone.text

    @pytest.mark.parametrize(
        ("wrong", "field"),
        [
            ({"what": ""}, "what"),
            ({"meets": ""}, "meets"),
            ({"price": "dear"}, "price"),
            ({"until": "soon"}, "until"),
        ],
    )
    def test_what_cannot_be_used_is_named_and_nothing_lost(
        self, lent: IsolatedTestClient, wrong: dict[str, str], field: str
    ) -> None:
        answer = lent.post("/locker/shops/new", data=self.WARM | wrong, headers=HTML)
        assert answer.status_code == 422
        assert f'id="{field}-wrong"' in answer.text
        assert "the hut at Moraine Camp" in answer.text
        assert "Moraine" not in lent.get("/api/locker/shops").text

    def test_the_cover_plan_falls_back_on_it(self, lent: IsolatedTestClient) -> None:
        satellite = {"what": "Satellite device, hired", "meets": ["satellite-messenger"], "place": "the desk"}
        address = "/api/locker/shops/hired-satellite"
        assert lent.put(address, json=satellite).json()["id"] == "hired-satellite"

        def bought() -> list[str]:
            lines = lent.get(f"/api/trips/{TRIP}/cover").json()["lines"]
            return [line["says"] for line in lines if line["requirement"] == "satellite-messenger"]

        assert len(bought()) == 1
        assert "buys Satellite device, hired at the desk" in bought()[0]
        assert lent.delete(address).status_code == 200
        assert bought() == []
        assert lent.delete(address).status_code == 404


class TestWords:
    def test_a_things_page_asks_as_the_kit_list_does_and_shows_no_ids(
        self, lent: IsolatedTestClient, db: Database
    ) -> None:
        with db.writing() as work:
            kept = next(thing for thing in queries.items(work, OUTFIT) if thing.id == "pa-01")
            answers = {"damage": "scratches", "takes-lamp": True}
            known = replace(kept, meets=("helmet",), answers=answers, traits={"binding": "c1"})
            queries.change_item(work, OUTFIT, known)
        page = text_of(lent, "/locker/items/pa-01")
        assert "<dt>Any damage?</dt><dd>scratches only</dd>" in page
        assert "<dt>Does it hold a headlamp?</dt><dd>yes</dd>" in page
        assert "<dt>Binding of the crampons</dt><dd>C1</dd>" in page
        assert not re.search(r"<d[td]>(damage|takes-lamp|binding|helmet)<", page)

    def test_what_no_kit_list_knows_is_said_to_be_so(self, lent: IsolatedTestClient, db: Database) -> None:
        with db.writing() as work:
            kept = next(thing for thing in queries.items(work, OUTFIT) if thing.id == "pa-01")
            queries.change_item(work, OUTFIT, replace(kept, meets=("sledge",), answers={"runners": 2.0}))
        page = text_of(lent, "/locker/items/pa-01")
        assert "<dd>sledge (in no kit list)</dd>" in page
        assert "<dt>runners (asked in no kit list)</dt><dd>2</dd>" in page
