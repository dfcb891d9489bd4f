"""Keeping editions: drafts change, published ones never, and the API says so clearly."""

import pytest
from sqlalchemy import text

from api.clock import FixedClock
from api.db import Database
from api.errors import Conflict, NotFound
from api.kitlist import service
from api.kitlist.loading import read_edition
from api.kitlist.service import EditionFixed, EditionIsDraft, EditionUnfit
from api.kitlist.writing import to_yaml
from tests.kitlist.building import a_requirement, an_edition, built
from tests.support.client import IsolatedTestClient

OUTFIT = "north"


@pytest.fixture
def kept(database: Database, clock: FixedClock) -> Database:
    """A database with two outfits, one of which has a published edition `small`."""
    with database.writing() as work:
        for outfit in (OUTFIT, "south"):
            work.execute(text("INSERT INTO outfit (id, name) VALUES (:id, :id)"), {"id": outfit})
        service.create(work, OUTFIT, built(), now=clock.now())
        service.publish(work, OUTFIT, "small", now=clock.now())
    return database


class TestService:
    def test_edition_comes_back_as_it_was(self, kept: Database) -> None:
        with kept.reading() as conn:
            assert service.get_edition(conn, OUTFIT, "small") == built()

    def test_published_edition_is_never_changed(self, kept: Database, clock: FixedClock) -> None:
        other = built(a_requirement(item="Cup"))

        with kept.writing() as work, pytest.raises(EditionFixed, match="Copy it and change the copy"):
            service.change(work, OUTFIT, "small", other, now=clock.now())
        with kept.writing() as work, pytest.raises(EditionFixed):
            service.discard(work, OUTFIT, "small")

        with kept.reading() as conn:
            assert service.get_edition(conn, OUTFIT, "small") == built()

    def test_used_edition_says_that_trips_use_it(self, kept: Database, clock: FixedClock) -> None:
        with kept.writing() as work:
            service.mark_used(work, OUTFIT, "small")

        with kept.writing() as work, pytest.raises(EditionFixed, match="trips use it"):
            service.change(work, OUTFIT, "small", built(), now=clock.now())

    def test_copy_is_a_draft_with_the_next_number(self, kept: Database, clock: FixedClock) -> None:
        with kept.writing() as work:
            second = service.copy(work, OUTFIT, "small", now=clock.now())
            third = service.copy(work, OUTFIT, second.id, now=clock.now())

        assert (second.id, second.number, second.made_from) == ("small-2", 2, "small")
        assert (third.id, third.number, third.made_from) == ("small-3", 3, "small-2")
        assert {second.family, third.family} == {"small"}
        assert not second.used

    def test_copy_differs_by_its_change_only(self, kept: Database, clock: FixedClock) -> None:
        changed = built(a_requirement(item="Cup"), id="whatever", number=9)
        with kept.writing() as work:
            service.copy(work, OUTFIT, "small", now=clock.now())
            service.change(work, OUTFIT, "small-2", changed, now=clock.now())
        with kept.reading() as conn:
            found = service.compare(conn, OUTFIT, "small", "small-2")

        assert [(c.id, [f.field for f in c.fields]) for c in found.changed] == [("mug", ["item"])]
        assert {f.field: f.now for f in found.edition}["id"] == "small-2"
        assert {f.field: f.now for f in found.edition}["number"] == "2"

    def test_change_by_one_who_saw_an_older_draft_is_refused(self, kept: Database, clock: FixedClock) -> None:
        with kept.writing() as work:
            seen = service.copy(work, OUTFIT, "small", now=clock.now())
            first = built(a_requirement(item="Cup"))
            service.change(work, OUTFIT, "small-2", first, now=clock.now(), expected=seen.sha256)
        with kept.writing() as work, pytest.raises(Conflict, match="Someone else changed"):
            service.change(work, OUTFIT, "small-2", built(), now=clock.now(), expected=seen.sha256)

    def test_draft_cannot_be_used(self, kept: Database, clock: FixedClock) -> None:
        with kept.writing() as work:
            service.copy(work, OUTFIT, "small", now=clock.now())
        with kept.writing() as work, pytest.raises(EditionIsDraft, match="Publish it first"):
            service.mark_used(work, OUTFIT, "small-2")

    def test_id_is_taken_once(self, kept: Database, clock: FixedClock) -> None:
        with kept.writing() as work, pytest.raises(Conflict, match="already"):
            service.create(work, OUTFIT, built(), now=clock.now())

    def test_outfits_do_not_see_each_other(self, kept: Database, clock: FixedClock) -> None:
        with kept.writing() as work, pytest.raises(NotFound):
            service.get_edition(work, "south", "small")
        with kept.writing() as work:
            service.create(work, "south", built(title="Theirs"), now=clock.now())
        with kept.reading() as conn:
            assert service.get_edition(conn, "south", "small").title == "Theirs"
            assert service.get_edition(conn, OUTFIT, "small").title == "Small list"

    def test_shipped_editions_are_added_once(self, kept: Database, clock: FixedClock) -> None:
        with kept.writing() as work:
            first = service.add_shipped(work, "south", now=clock.now())
            second = service.add_shipped(work, "south", now=clock.now())

        assert [row.id for row in first] == ["glaciated-peak"]
        assert second == []

    @pytest.mark.one_database
    def test_faults_are_listed_with_their_lines(self) -> None:
        with pytest.raises(EditionUnfit) as caught:
            service.read_sent(b"id: small\nid: small\n", is_json=False)

        body = caught.value.body()
        assert body["code"] == "edition-unfit"
        assert body["faults"][0]["line"] == 2
        assert body["fields"][0]["remedy"] == "Keep one of them."


@pytest.fixture
def api(client: IsolatedTestClient, kept: Database) -> IsolatedTestClient:
    """The app over the kept editions."""
    return client


class TestRoutes:
    def test_from_yaml_to_published(self, api: IsolatedTestClient) -> None:
        sent = to_yaml(built(id="second"))
        headers = {"Content-Type": "application/yaml"}

        made = api.post("/api/kit-lists", content=sent, headers=headers)
        assert (made.status_code, made.json()["state"]) == (201, "draft")
        tag = made.headers["ETag"]

        changed = to_yaml(built(a_requirement(item="Cup"), id="second"))
        put = api.put("/api/kit-lists/second", content=changed, headers=headers | {"If-Match": tag})
        assert put.status_code == 200
        late = api.put("/api/kit-lists/second", content=sent, headers=headers | {"If-Match": tag})
        assert (late.status_code, late.json()["code"]) == (409, "conflict")

        assert api.post("/api/kit-lists/second/publish").json()["state"] == "published"
        fixed = api.put("/api/kit-lists/second", content=sent, headers=headers)
        assert (fixed.status_code, fixed.json()["code"]) == (409, "edition-fixed")

        listed = {row["id"]: row["state"] for row in api.get("/api/kit-lists").json()}
        assert listed == {"small": "published", "second": "published"}

    def test_json_and_yaml_give_the_same_edition(self, api: IsolatedTestClient) -> None:
        assert api.post("/api/kit-lists", json=an_edition(id="by-json")).status_code == 201

        whole = api.get("/api/kit-lists/by-json").json()["edition"]
        exported = api.get("/api/kit-lists/by-json/yaml")

        assert exported.headers["content-type"].startswith("application/yaml")
        assert read_edition(exported.content) == built(id="by-json")
        assert [r["id"] for r in whole["requirements"]] == ["mug"]

    def test_unfit_edition_is_refused_with_every_fault(self, api: IsolatedTestClient) -> None:
        bad = (
            to_yaml(built(id="bad")).replace("kitchen-water", "kitchen").replace("grade: fix", "grade: fixed")
        )

        answer = api.post("/api/kit-lists", content=bad, headers={"Content-Type": "application/yaml"})

        assert (answer.status_code, answer.json()["code"]) == (422, "edition-unfit")
        paths = [fault["path"] for fault in answer.json()["faults"]]
        assert paths == ["requirements[mug].zone", "requirements[mug].grades[1].grade"]
        assert all(fault["line"] and fault["remedy"] for fault in answer.json()["faults"])
        assert api.get("/api/kit-lists/bad").status_code == 404

    def test_copy_and_difference(self, api: IsolatedTestClient) -> None:
        copied = api.post("/api/kit-lists/small/copy")
        assert (copied.status_code, copied.json()["id"]) == (201, "small-2")
        changed = an_edition(a_requirement(item="Cup"))
        assert api.put("/api/kit-lists/small-2", json=changed).status_code == 200

        found = api.get("/api/kit-lists/small/difference/small-2").json()

        assert "  item: Mug → Cup" in found["text"]
        assert found["changed"][0]["fields"] == [{"field": "item", "was": "Mug", "now": "Cup"}]

    def test_named_copy_and_discard(self, api: IsolatedTestClient) -> None:
        assert api.post("/api/kit-lists/small/copy", json={"id": "winter"}).json()["id"] == "winter"
        assert api.post("/api/kit-lists/small/copy", json={"id": "Not An Id"}).status_code == 422
        assert api.delete("/api/kit-lists/winter").status_code == 204
        assert api.get("/api/kit-lists/winter").status_code == 404
        assert api.delete("/api/kit-lists/small").status_code == 409

    def test_schema(self, api: IsolatedTestClient) -> None:
        schema = api.get("/api/kit-list-schema").json()

        assert schema["title"] == "Edition"
        assert "wind_chill_c" in schema["$defs"]["Below"]["properties"]["metric"]["enum"]
