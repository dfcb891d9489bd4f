"""What a person tells by their own link, and what becomes of it."""

from datetime import date

import pytest

from api.journal.kinds import GearState, Known, Sighting
from tests.photos import pictures
from tests.roster.browsing import form_of
from tests.selfreport.conftest import House
from tests.selfreport.people import ANA, LEAD, LEAD_GUIDE, OFFICE, TRIP, read_as

PAGE = {"accept": "text/html", "accept-language": "en"}
SWAP = {"hx-request": "true"}


def tell(house: House, link: str, item: str, plan: str, **more):
    return house.client.post(f"{link}/items/{item}", data={"plan": plan, **more})


def standing(house: House, item: str):
    """What stands of an item: (known, state, answers) of each record, and the intention."""
    picture = house.picture()
    records = picture.sightings.get((ANA, item), ())
    told = picture.intentions.get((ANA, item))
    return [(r.body.known, r.body.state, r.body.answers) for r in records], told.body.plan if told else None


def board_kinds(house: House, item: str) -> list[str]:
    board = house.client.get(f"/api/trips/{TRIP}/board").json()
    return [f["kind"] for f in board["findings"] if f["id"] == f"{ANA}.{item}"]


def test_having_a_thing_is_said_and_never_more(house: House, link: str) -> None:
    answer = tell(house, link, "helmet", "have")
    assert answer.status_code == 303
    assert answer.headers["location"] == f"{link}#item-helmet"
    assert standing(house, "helmet") == ([(Known.SAID, GearState.FITS, {})], "have")
    [entry, told] = house.entries()[-2:][::-1]
    assert (entry.actor.id, entry.actor.role, entry.device) == (ANA, "climber", "self-report")
    assert told.kind == "intention-told"
    assert board_kinds(house, "helmet") == ["unseen"]


@pytest.mark.one_database
@pytest.mark.parametrize("plan", ["renting", "will-buy", "not-sure"])
def test_not_having_it_yet_takes_back_what_was_said(house: House, link: str, plan: str) -> None:
    tell(house, link, "helmet", "have")
    tell(house, link, "helmet", "have", answers="yes", **{"answer-takes-lamp": "yes"})
    tell(house, link, "helmet", plan, by="2026-09-01")
    assert standing(house, "helmet") == ([], plan)
    assert house.picture().intentions[ANA, "helmet"].body.by == date(2026, 9, 1)
    assert board_kinds(house, "helmet") == ["unknown"], "unknown is a gap, whatever is planned"
    tell(house, link, "helmet", "have")
    assert standing(house, "helmet")[0] == [(Known.SAID, GearState.FITS, {})]


@pytest.mark.one_database
def test_answers_are_kept_and_judged(house: House, link: str) -> None:
    tell(house, link, "crampons", "have", answers="yes", **{"answer-points": "12", "answer-state": "blunt"})
    assert standing(house, "crampons")[0][0][2] == {"points": 12.0, "state": "blunt"}
    tell(house, link, "socks", "have", answers="yes", count="1", **{"answer-not-cotton": "no"})
    assert house.picture().sightings[ANA, "socks"][0].body.count == 1
    assert board_kinds(house, "socks") in (["unfit"], ["unseen"], ["short"])
    page = house.client.get(f"{link}?lang=en", headers=PAGE).text
    assert form_of(page, f"{link}/items/whistle?lang=en") == {}
    assert 'name="answer-points" inputmode="decimal" value="12"' in page


@pytest.mark.one_database
def test_only_what_can_be_answered_at_home_is_asked(house: House, link: str) -> None:
    tell(house, link, "crampons", "have")
    page = house.client.get(f"{link}?lang=en", headers=PAGE).text
    assert "How many points?" in page
    assert "How does it hold on this boot?" not in page  # tried on at base
    tell(house, link, "crampons", "have", answers="yes", **{"answer-hold": "stays-on"})
    assert standing(house, "crampons")[0][0][2] == {}


@pytest.mark.one_database
def test_the_list_is_what_this_trip_asks_of_this_person(house: House, link: str) -> None:
    page = house.client.get(f"{link}?lang=en", headers=PAGE).text
    assert "Mountaineering boots" in page
    assert "Everything on the glacier stands on them" in page
    assert "Guide&#39;s licence" not in page  # asked of guides
    assert "Satellite" not in page  # carried by the party
    assert 'id="item-camp-shoes"' in page[page.index("Useful, but not asked") :]
    guide = house.client.get(house.link(LEAD_GUIDE), headers=PAGE).text
    assert "Guide&#39;s licence" in guide


@pytest.mark.one_database
def test_a_photo_makes_it_pictured_and_never_seen(house: House, link: str) -> None:
    sent = {"photo": ("p.jpg", pictures.located_jpeg(), "image/jpeg")}
    at = f"{link}/items/harness/photos"
    assert house.client.post(at, files=sent, data={"shows": "label", "known": "tried"}).status_code == 303
    record = house.picture().sightings[ANA, "harness"][0].body
    assert (record.known, record.state) == (Known.PICTURED, GearState.FITS)
    shown = house.client.get(f"{link}/photos/{record.photo}")
    assert shown.headers["content-type"] == "image/jpeg"
    assert shown.headers["content-security-policy"] == "default-src 'none'; sandbox"
    assert b"GPS" not in shown.content
    assert board_kinds(house, "harness") == ["unseen"]
    # Answers given afterwards keep it pictured.
    tell(house, link, "harness", "have", answers="yes", **{"answer-label": "yes"})
    assert house.picture().sightings[ANA, "harness"][0].body.known is Known.PICTURED
    page = house.client.get(f"/trips/{TRIP}/photos", headers=PAGE).text
    assert "Ana Example: Climbing harness with adjustable legs, label" in page


@pytest.mark.one_database
@pytest.mark.parametrize("lang", ["en", "de", "es", "fr"])
def test_a_bad_file_is_told_in_the_persons_language(house: House, link: str, lang: str) -> None:
    says = {
        "en": "This is no JPEG",
        "de": "Das ist kein JPEG",
        "es": "Esto no es una imagen",
        "fr": "Ce n’est pas une image",
    }
    sent = {"photo": ("page.jpg", pictures.HTML, "image/jpeg")}
    at = f"{link}/items/harness/photos?lang={lang}"
    answer = house.client.post(at, files=sent, headers=PAGE)
    assert answer.status_code == 422
    assert says[lang] in answer.text
    swapped = house.client.post(at, files=sent, headers=SWAP)
    assert swapped.headers["hx-retarget"] == "#said"
    assert "<html" not in swapped.text
    none = house.client.post(at, data={"shows": "label"}, headers=SWAP)
    assert none.status_code == 422
    assert house.picture().sightings.get((ANA, "harness")) is None


@pytest.mark.one_database
def test_what_a_guide_has_looked_at_is_not_replaced(house: House, link: str) -> None:
    tell(house, link, "helmet", "have")
    seen = Sighting(subject=ANA, requirement="helmet", known=Known.TRIED, state=GearState.UNFIT)
    with house.app.state.db.writing() as work:
        house.app.state.journal.write(work, LEAD, TRIP, seen)
    page = house.client.get(f"{link}?lang=en", headers=PAGE).text
    assert "Already looked at by your guides" in page
    tell(house, link, "helmet", "have")
    house.client.post(f"{link}/items/helmet/photos", files={"photo": ("p.png", pictures.png(), "image/png")})
    [(known, state, _)] = standing(house, "helmet")[0]
    assert (known, state) == (Known.TRIED, GearState.UNFIT)
    tell(house, link, "helmet", "will-buy")
    assert standing(house, "helmet") == ([(Known.TRIED, GearState.UNFIT, {})], "will-buy")


@pytest.mark.one_database
@pytest.mark.parametrize(
    ("sent", "field"),
    [
        ({"plan": "seen"}, "Choose one of the answers."),
        ({"plan": ""}, "Choose one of the answers."),
        ({"plan": "renting", "by": "soon"}, "This is not a date."),
        ({"plan": "have", "answers": "yes", "answer-points": "many"}, "This is not a number."),
        ({"plan": "have", "answers": "yes", "answer-points": "nan"}, "This is not a number."),
        ({"plan": "have", "answers": "yes", "answer-points": "1e999"}, "This is not a number."),
        ({"plan": "have", "answers": "yes", "answer-state": "<b>"}, "Choose one of the answers."),
        ({"plan": "have", "answers": "yes", "answer-anti-ball": "perhaps"}, "Choose one of the answers."),
    ],
)
def test_what_cannot_be_used_is_said_and_nothing_is_kept(
    house: House, link: str, sent: dict[str, str], field: str
) -> None:
    tell(house, link, "crampons", "have")
    before = house.entries()
    for headers in (PAGE, SWAP | PAGE):
        answer = house.client.post(f"{link}/items/crampons?lang=en", data=sent, headers=headers)
        assert answer.status_code == 422
        assert field in answer.text
        assert "<b>" not in answer.text
    assert house.entries() == before


def test_nights_are_told_in_metres_or_feet(house: House, link: str) -> None:
    sent = {"night-2026-09-10": "1650", "night-2026-09-11": "2640 m", "night-2026-09-09-unknown": "yes"}
    answer = house.client.post(f"{link}/nights", data=sent)
    assert (answer.status_code, answer.headers["location"]) == (303, f"{link}#nights")
    nights = house.picture().nights[ANA]
    assert {on.day: record.body.elevation_m for on, record in nights.items()} == {9: None, 10: 1650, 11: 2640}
    assert {record.body.known for record in nights.values()} == {"said"}
    before = house.entries()
    house.client.post(f"{link}/nights", data=sent)
    assert house.entries() == before, "what is told already is not told again"
    house.client.post(f"{link}/nights", data={"unit": "ft", "night-2026-09-08": "10,000"})
    assert house.picture().nights[ANA][date(2026, 9, 8)].body.elevation_m == 3048.0


@pytest.mark.one_database
def test_a_night_that_cannot_be_is_refused_and_one_of_the_staff_stays(house: House, link: str) -> None:
    before = house.entries()
    for odd in ("high", "9000", "-500", "1e9"):
        answer = house.client.post(f"{link}/nights?lang=en", data={"night-2026-09-10": odd}, headers=PAGE)
        assert answer.status_code == 422
        assert "Write an elevation between" in answer.text
        assert f'value="{odd}"' in answer.text
    house.client.post(f"{link}/nights", data={"night-2020-01-01": "100", "night-2026-09-13": "100"})
    assert house.entries() == before
    told = {"on": "2026-09-10", "members": [ANA], "elevation_m": 800, "known": "spent"}
    assert house.client.post(f"/api/trips/{TRIP}/nights", json=told).status_code < 300
    house.client.post(f"{link}/nights", data={"night-2026-09-10": "3000"})
    assert house.picture().nights[ANA][date(2026, 9, 10)].body.elevation_m == 800


@pytest.mark.one_database
def test_the_page_is_in_the_persons_language_unless_another_is_chosen(house: House, link: str) -> None:
    german = house.client.get(link, headers=PAGE)
    assert '<html lang="de"' in german.text
    assert "Bergschuhe" in german.text
    assert "Alles am Gletscher" not in german.text
    spanish = house.client.get(f"{link}?lang=es", headers=PAGE).text
    assert '<html lang="es"' in spanish
    assert "Botas de alpinismo" in spanish
    assert f'action="{link}/items/boots?lang=es"' in spanish
    answer = house.client.post(f"{link}/items/boots?lang=es", data={"plan": "have"})
    assert answer.headers["location"] == f"{link}?lang=es#item-boots"
    odd = house.client.post(f'{link}/items/boots?lang="><b>', data={"plan": "have"})
    assert odd.headers["location"] == f"{link}#item-boots"


@pytest.mark.one_database
def test_a_tap_swaps_the_thing_and_the_progress(house: House, link: str) -> None:
    answer = house.client.post(f"{link}/items/boots?lang=en", data={"plan": "renting"}, headers=SWAP)
    assert answer.status_code == 200
    assert answer.text.count("<article") == 1
    assert 'value="renting" aria-pressed="true"' in answer.text
    assert "1 of " in answer.text
    assert "<html" not in answer.text


@pytest.mark.one_database
class TestTheOffice:
    def test_whom_to_chase_worst_first(self, house: House, link: str) -> None:
        tell(house, link, "whistle", "not-sure")
        tell(house, link, "boots", "will-buy", by="2026-09-10")
        tell(house, link, "helmet", "have")
        found = house.client.get(f"/api/trips/{TRIP}/to-chase").json()
        assert found["post_by"] == "2026-09-06"
        assert "final call" in found["caution"]
        ana = next(person for person in found["people"] if person["member"] == ANA)
        assert ana["answered"] == 3
        things = {thing["requirement"]: thing for thing in ana["things"]}
        assert (things["boots"]["open"], things["boots"]["late"]) == ("will-buy", True)
        assert things["whistle"]["open"] == "not-sure"
        assert things["helmet"]["open"] == "picture"
        assert things["harness"]["open"] == "no-answer"
        weight = {"stop": 3, "fix": 2, "advise": 1}
        weights = [weight[thing["grade"]] for thing in ana["things"]]
        assert weights == sorted(weights, reverse=True)

    def test_what_is_said_and_pictured_is_not_chased(self, house: House, link: str) -> None:
        for item in ("socks", "helmet"):
            house.client.post(
                f"{link}/items/{item}/photos", files={"photo": ("p.png", pictures.png(), "image/png")}
            )
        found = house.client.get(f"/api/trips/{TRIP}/to-chase").json()
        ana = next(person for person in found["people"] if person["member"] == ANA)
        assert not {"socks", "helmet"} & {thing["requirement"] for thing in ana["things"]}

    def test_the_pages(self, house: House, link: str) -> None:
        read_as(house.app, OFFICE)
        page = house.client.get(f"/trips/{TRIP}/to-chase", headers=PAGE).text
        assert "By post until 6 September 2026: 17 days left" in page.replace("\xa0", " ")
        assert "nothing came back by it" in page
        assert "The final call rests with" in page
        house.clock.set(house.clock.now().replace(month=9, day=10))
        page = house.client.get(f"/trips/{TRIP}/to-chase", headers=PAGE).text
        assert "Too late for the post" in page
        assert house.client.get(f"/trips/{TRIP}/invitations", headers=PAGE).status_code == 200

    def test_a_link_is_shown_once_with_its_message_and_code(self, house: House) -> None:
        made = house.client.post(f"/trips/{TRIP}/invitations", data={"member": ANA}, headers=PAGE)
        assert made.status_code == 200
        assert made.headers["cache-control"] == "no-store"
        assert "<svg" in made.text
        assert "Ihre Liste" in made.text or "Guten Tag Ana Example" in made.text
        path = "/r/" + made.text.split("http://127.0.0.1/r/")[1][:43]
        assert house.client.get(path, headers=PAGE).status_code == 200
        assert path not in house.client.get(f"/trips/{TRIP}/invitations", headers=PAGE).text
        some = {"member": [ANA, "nobody"]}
        assert house.client.post(f"/trips/{TRIP}/invitations", data=some, headers=PAGE).status_code == 422
        assert house.client.get(path, headers=PAGE).status_code == 200, "all or nothing: hers still works"
        nobody = house.client.post(f"/trips/{TRIP}/invitations", data={}, headers=PAGE)
        assert (nobody.status_code, "Nobody was chosen." in nobody.text) == (422, True)

    def test_a_reminder_names_what_is_open_in_the_persons_language(self, house: House, link: str) -> None:
        sent = {"member": ANA, "reminder": "yes"}
        made = house.client.post(f"/trips/{TRIP}/invitations", data=sent, headers=PAGE).text
        assert "Noch offen:" in made
        assert "- Steigeisen, an diesen Schuh angepasst, Paar" in made
        assert "bis 6. September 2026" in made
        assert house.client.get(link, headers=PAGE).status_code == 404, "the earlier link has ended"
