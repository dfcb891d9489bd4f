"""The page, the person's sheet and the JSON."""

from __future__ import annotations

from typing import Any

import pytest

from api.access.current import Reader
from seeds import demo
from tests.support.client import IsolatedTestClient
from web.pages.screens import trip_menu

pytestmark = pytest.mark.one_database
TRIP = demo.scenario().trip
API, PAGE = f"/api/trips/{TRIP}/body", f"/trips/{TRIP}/body"
CAUTION = "The final call rests with the licensed guides"


def told(client: IsolatedTestClient, **settings: str) -> dict[str, Any]:
    answer = client.get(API, params=settings)
    assert answer.status_code == 200, answer.text
    return dict(answer.json())


def person(report: dict[str, Any], member: str) -> dict[str, Any]:
    return dict(next(p for p in report["people"] if p["member"] == member))


class TestJson:
    def test_everyone_on_every_stage_with_the_caution(self, client: IsolatedTestClient) -> None:
        report = told(client)
        assert CAUTION in report["caution"]
        assert "never means safe" in report["assumptions"][0]
        stages = ["to-moraine", "glacier-day", "to-shelf", "summit", "descent", "walk-out"]
        assert [stage["stage"] for stage in report["stages"]] == stages
        assert len(report["people"]) == 11
        assert all([s["stage"] for s in p["stages"]] == stages for p in report["people"])

    def test_a_bag_too_warm_for_the_night_is_short_of_it(self, client: IsolatedTestClient) -> None:
        report = told(client)
        shelf = {
            member: next(s for s in person(report, member)["stages"] if s["stage"] == "to-shelf")
            for member in ("p10", "p01")
        }
        # Comfort 4 °C against -12 °C: 16 K apart on the same night.
        margins = {member: row["bag_margin_c"]["base"] for member, row in shelf.items()}
        assert margins["p10"] == pytest.approx(margins["p01"] - 16.0)

    def test_a_half_charged_lamp_without_spare_has_less_light(self, client: IsolatedTestClient) -> None:
        report = told(client)
        assert person(report, "p08")["lamp_h"]["base"] < person(report, "p01")["lamp_h"]["base"] / 2

    def test_the_party_first_and_each_rope_its_share(self, client: IsolatedTestClient) -> None:
        party, *ropes = told(client)["fuel"]
        assert party["who"] == "the party"
        assert sum(rope["needed_g"]["base"] for rope in ropes) == pytest.approx(party["needed_g"]["base"])
        assert told(client)["fuel_packed_g"] == 4400

    def test_half_the_efficiency_is_twice_the_fuel(self, client: IsolatedTestClient) -> None:
        needed = [told(client, efficiency=e)["fuel"][0]["needed_g"]["base"] for e in ("0.6", "0.3")]
        assert needed[1] == pytest.approx(2.0 * needed[0])

    def test_own_hours_replace_the_estimate(self, client: IsolatedTestClient) -> None:
        summit = next(s for s in told(client, **{"hours-summit": "7"})["stages"] if s["stage"] == "summit")
        assert summit["own_hours"]
        assert summit["hours"]["base"] == 7.0
        assert summit["arrival"] == "2026-09-14T08:30+06:00"

    def test_the_latest_turn_leaves_the_way_down_until_the_planned_end(
        self, client: IsolatedTestClient
    ) -> None:
        summit = next(s for s in told(client, **{"hours-descent": "5"})["stages"] if s["stage"] == "summit")
        assert summit["latest_turn"] == "2026-09-14T10:30+06:00"

    @pytest.mark.parametrize(
        ("field", "value"),
        [("efficiency", "1.5"), ("efficiency", "much"), ("fuel", "coal"), ("hours-summit", "30")],
    )
    def test_a_figure_that_cannot_be_names_field_value_and_remedy(
        self, client: IsolatedTestClient, field: str, value: str
    ) -> None:
        answer = client.get(API, params={field: value})
        assert answer.status_code == 422
        wrong = answer.json()["fields"][0]
        assert (wrong["field"], wrong["value"]) == (field, value)
        assert wrong["remedy"].startswith("Write")

    def test_another_outfits_trip_is_not_found(self, client: IsolatedTestClient) -> None:
        assert client.get("/api/trips/no-such-trip/body").status_code == 404


class TestPages:
    def test_the_page_says_the_caution_and_never_safe(self, client: IsolatedTestClient) -> None:
        text = client.get(PAGE).text
        assert CAUTION in text
        assert "None of it means safe" in text
        assert "Rukmini Deshpande" in text
        assert "stage by stage" in text

    def test_what_was_typed_comes_back_with_what_is_wrong(self, client: IsolatedTestClient) -> None:
        answer = client.get(PAGE, params={"efficiency": "7"})
        assert answer.status_code == 422
        assert 'value="7"' in answer.text
        assert "Write a number from 0.05 to 1." in answer.text

    def test_in_feet_and_fahrenheit(self, client: IsolatedTestClient) -> None:
        client.cookies.set("units", "us")
        assert "°F" in client.get(PAGE).text

    def test_the_sheet_of_a_person_has_it_in_short(self, client: IsolatedTestClient) -> None:
        text = client.get(f"/trips/{TRIP}/people/p10").text
        assert "What the body needs" in text
        assert "Bag comfort 4 °C" in text
        assert "until the body has lost what it may" in text
        assert "no number for feet is worked out" in text

    def test_the_sheet_of_the_party_has_not(self, client: IsolatedTestClient) -> None:
        answer = client.get(f"/trips/{TRIP}/party")
        assert answer.status_code == 200
        assert "until the body has lost what it may" not in answer.text

    def test_the_menu_of_a_trip_leads_there(self) -> None:
        reader = Reader(outfit="quillstone", staff="some", name="Some lead", role="lead", everywhere=True)
        addresses = {address for _, group in trip_menu(TRIP, reader).more for address, _ in group}
        assert PAGE in addresses

    def test_the_mountain_page_says_it_and_how_it_came_about(self, client: IsolatedTestClient) -> None:
        text = client.get(f"/trips/{TRIP}/mountain").text
        assert f'href="{PAGE}"' in text
        assert "Plan by " in text
        assert "Stands still" in text
        assert "Grade 15\N{NO-BREAK SPACE}% is assumed, because the plan has no distance" in text
        assert "Shelf Camp: snow to melt" in text
        assert "ISO 11079" in text
        assert "None of it means safe." in text
