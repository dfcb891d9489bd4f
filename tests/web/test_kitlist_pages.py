"""Kit list pages: reading, changing a draft in forms without scripts, publishing, comparing, import."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

import pytest
from fastapi import FastAPI

from api.db import Database
from api.journal import queries as journal_queries
from api.kitlist import service
from api.kitlist.loading import edition_from_plain
from api.kitlist.schemas import Edition
from api.kitlist.writing import to_plain, to_yaml
from tests.conftest import A_MORNING
from tests.kitlist.building import a_requirement, an_edition
from tests.support.client import IsolatedTestClient
from tests.support.pages import html_errors
from tests.support.readers import read_as
from tests.web.sent_forms import form_of

DRAFT = "/kit-lists/small-2"


@pytest.fixture
def client(app: FastAPI) -> Iterator[IsolatedTestClient]:
    with IsolatedTestClient(app, headers={"accept": "text/html"}, follow_redirects=False) as client:
        database: Database = app.state.db
        with database.writing() as work:
            journal_queries.create_outfit(work, "quillstone", "Quillstone")
            for plain in (
                an_edition(
                    a_requirement(),
                    a_requirement(
                        id="bowl",
                        item="Bowl",
                        when={
                            "any": [
                                {"metric": "freezing_level_m", "below": {"line": "cold"}},
                                {"all": [{"terrain": ["glacier"]}, {"any": [{"terrain": ["remote"]}]}]},
                            ]
                        },
                    ),
                ),
            ):
                service.create(work, "quillstone", edition_from_plain(plain), now=A_MORNING)
            service.publish(work, "quillstone", "small", now=A_MORNING)
            service.copy(work, "quillstone", "small", now=A_MORNING)
        yield client


def draft(client: IsolatedTestClient) -> Edition:
    with client.app.state.db.reading() as conn:  # type: ignore[attr-defined]
        return service.get_edition(conn, "quillstone", "small-2")


def open_form(client: IsolatedTestClient, path: str) -> dict[str, list[str]]:
    answer = client.get(path)
    assert answer.status_code == 200
    return form_of(answer.text)


# -- reading ---------------------------------------------------------------------------------------------


def test_pages_to_read_are_valid_and_say_what_is_asked(client: IsolatedTestClient) -> None:
    paths = {
        "list": "/kit-lists",
        "one": "/kit-lists/small",
        "difference": f"{DRAFT}/difference?since=small",
        "import": "/kit-lists/_import",
        "outline": f"{DRAFT}/edit",
        "requirement": f"{DRAFT}/requirements/bowl",
        "new": f"{DRAFT}/add-requirement?zone=light",
        "line": f"{DRAFT}/lines/cold",
        "publish": f"{DRAFT}/publish",
        "discard": f"{DRAFT}/discard",
        "remove": f"{DRAFT}/requirements/mug/remove",
    }
    pages = {}
    for name, path in paths.items():
        answer = client.get(path)
        assert answer.status_code == 200, path
        pages[name] = answer.text
    assert html_errors(pages) == []
    assert "freezing level below the cold line" in pages["one"]
    assert "Fix at base" in pages["one"]
    assert "common practice, no published source" in pages["one"].lower()
    assert "The final call rests with the licensed guides" in pages["one"]
    assert "published, not used yet" in pages["list"]
    assert "can never be changed" in pages["publish"]


def test_whole_edition_stands_open_for_paper(client: IsolatedTestClient) -> None:
    assert "<details open>" not in client.get("/kit-lists/small").text
    assert client.get("/kit-lists/small?whole=yes").text.count("<details open>") == 2


# -- changing --------------------------------------------------------------------------------------------


def test_saving_an_untouched_form_changes_nothing(client: IsolatedTestClient) -> None:
    before = draft(client)
    for requirement in ("mug", "bowl"):
        path = f"{DRAFT}/requirements/{requirement}"
        assert client.post(path, data=open_form(client, path)).status_code == 303
    assert (
        client.post(f"{DRAFT}/lines/cold", data=open_form(client, f"{DRAFT}/lines/cold")).status_code == 303
    )
    assert draft(client) == before


def test_a_condition_is_built_from_rows_without_scripts(client: IsolatedTestClient) -> None:
    path = f"{DRAFT}/requirements/mug"
    fields = open_form(client, path)
    grown = client.post(path, data=fields | {"item": "Big mug", "do": "add-number when-rows"})
    assert grown.status_code == 200
    fields = form_of(grown.text)
    assert fields["item"] == ["Big mug"]
    assert draft(client).requirements[0].item == "Mug"
    fields |= {
        "when-rows-0-metric": "wind_mps",
        "when-rows-0-how": "at_least",
        "when-rows-0-value": "30 km/h",
    }
    again = client.post(path, data=fields | {"do": "add-group when-rows"})
    fields = form_of(again.text) | {"when-rows-1-rows-0-metric": "freezing_level_m"}
    fields |= {
        "when-rows-1-rows-0-from": "place:high-point",
        "when-rows-1-rows-0-value": "-500 m",
        "do": "save",
    }
    assert client.post(path, data=fields).status_code == 303
    kept = to_plain(draft(client))["requirements"][0]
    assert kept["item"] == "Big mug"
    assert kept["when"] == {
        "all": [
            {"metric": "wind_mps", "at_least": "30 km/h"},
            {"any": [{"metric": "freezing_level_m", "below": {"from": "high-point", "offset": "-500 m"}}]},
        ]
    }


def test_faults_stand_beside_their_field_and_nothing_typed_is_lost(client: IsolatedTestClient) -> None:
    path = f"{DRAFT}/requirements/bowl"
    before = draft(client)
    fields = open_form(client, path) | {"why": "", "item": "A <new> bowl", "weight_g": "heavy"}
    fields |= {"when-rows-0-from": "", "when-rows-0-value": "about 12"}
    answer = client.post(path, data=fields)
    assert answer.status_code == 422
    for name in ("why", "weight_g", "when-rows-0-value"):
        assert f'id="{name}-wrong"' in answer.text
        assert f'href="#{name}"' in answer.text
    assert form_of(answer.text) == fields_in_order(fields, answer.text)
    assert draft(client) == before
    assert html_errors({"faults": answer.text}) == []


def test_a_unit_that_does_not_fit_the_number_is_a_fault(client: IsolatedTestClient) -> None:
    path = f"{DRAFT}/requirements/bowl"
    fields = open_form(client, path) | {"when-rows-0-from": "", "when-rows-0-value": "12 km/h"}
    answer = client.post(path, data=fields)
    assert answer.status_code == 422
    assert 'id="when-rows-0-value-wrong"' in answer.text
    assert "When, condition 1, figure" in answer.text


def fields_in_order(fields: dict[str, Any], page: str) -> dict[str, list[str]]:
    sent = {name: value if isinstance(value, list) else [value] for name, value in fields.items()}
    return {name: sent[name] for name in form_of(page)}


def test_a_figure_beside_a_line_is_a_fault_not_dropped(client: IsolatedTestClient) -> None:
    path = f"{DRAFT}/requirements/bowl"
    answer = client.post(path, data=open_form(client, path) | {"when-rows-0-value": "3000 m"})
    assert answer.status_code == 422
    assert "A named line has a figure of its own." in answer.text
    assert 'value="3000 m"' in answer.text


def test_a_whole_new_requirement_with_question_stand_in_and_grades(client: IsolatedTestClient) -> None:
    path = f"{DRAFT}/add-requirement"
    fields: dict[str, Any] = open_form(client, f"{path}?zone=light")
    for press in (
        "add-question questions",
        "add-choice questions-0-choices",
        "add-choice questions-0-choices",
    ):
        fields = form_of(client.post(path, data=fields | {"do": press}).text)
    fields |= {
        "item": "Headlamp",
        "why": "To see.",
        "clears": "A lamp that lights.",
        "questions-0-ask": "How bright?",
        "questions-0-kind": "choice",
        "questions-0-choices-0-label": "dim",
        "questions-0-choices-1-label": "bright",
    }
    fields = form_of(client.post(path, data=fields | {"do": "show questions-0"}).text)
    fields |= {
        "questions-0-limits-0-asks": "one_of",
        "questions-0-limits-0-one_of": ["bright"],
        "questions-0-limits-0-says": "Too dim.",
        "grades-0-grade": "stop",
        "grades-0-at": "summit-start",
        "basis-source": "common practice, no published source",
        "do": "save",
    }
    assert client.post(path, data=fields).status_code == 303
    made = draft(client).requirement("headlamp")
    assert made is not None
    assert [choice.id for choice in made.questions[0].choices] == ["dim", "bright"]
    assert made.questions[0].limits[0].one_of == ("bright",)
    assert made.grades[0].at == "summit-start"
    again = open_form(client, f"{DRAFT}/requirements/headlamp")
    assert again["questions-0-limits-0-one_of"] == ["bright"]


def test_a_requirement_is_put_elsewhere_and_taken_out(client: IsolatedTestClient) -> None:
    path = f"{DRAFT}/requirements/bowl"
    client.post(path, data=open_form(client, path) | {"after": ""})
    assert [one.id for one in draft(client).requirements] == ["bowl", "mug"]
    gone = f"{DRAFT}/requirements/mug/remove"
    assert client.post(gone, data=open_form(client, gone)).status_code == 303
    assert [one.id for one in draft(client).requirements] == ["bowl"]


def test_a_line_that_is_needed_is_not_taken_out(client: IsolatedTestClient) -> None:
    path = f"{DRAFT}/lines/cold/remove"
    answer = client.post(path, data=open_form(client, path))
    assert answer.status_code == 422
    assert "There is no line cold." in answer.text
    assert len(draft(client).lines) == 1


def test_who_comes_second_is_told_and_keeps_what_was_typed(client: IsolatedTestClient) -> None:
    path = f"{DRAFT}/requirements/mug"
    mine = open_form(client, path) | {"item": "My mug"}
    client.post(f"{DRAFT}/lines/cold", data=open_form(client, f"{DRAFT}/lines/cold") | {"value": "3000 m"})
    answer = client.post(path, data=mine)
    assert answer.status_code == 409
    assert "Someone else changed" in answer.text
    again = form_of(answer.text)
    assert again["item"] == ["My mug"]
    assert client.post(path, data=again).status_code == 303
    assert draft(client).requirements[0].item == "My mug"
    assert draft(client).lines[0].value == "3000 m"


def test_title_date_and_note(client: IsolatedTestClient) -> None:
    path = f"{DRAFT}/edit"
    fields = open_form(client, path)
    wrong = client.post(path, data=fields | {"dated": "soon", "note": "Mine"})
    assert wrong.status_code == 422
    assert 'id="dated-wrong"' in wrong.text
    assert client.post(path, data=fields | {"note": "Mine"}).status_code == 303
    assert draft(client).note == "Mine"


# -- publishing, copying, who may ------------------------------------------------------------------------


def test_publishing_is_asked_about_and_fixes_the_edition(client: IsolatedTestClient) -> None:
    seen = open_form(client, f"{DRAFT}/publish")
    assert client.post(f"{DRAFT}/publish", data={"seen": "older"}).status_code == 409
    assert client.post(f"{DRAFT}/publish", data=seen).status_code == 303
    assert "published" in client.get(DRAFT).text
    refused = client.get(f"{DRAFT}/requirements/mug")
    assert refused.status_code == 409
    assert "Copy it and change the copy." in refused.text
    made = client.post(f"{DRAFT}/copy")
    assert made.headers["location"] == "/kit-lists/small-3/edit"


def test_a_draft_is_thrown_away(client: IsolatedTestClient) -> None:
    assert client.post(f"{DRAFT}/discard", data=open_form(client, f"{DRAFT}/discard")).status_code == 303
    assert client.get(DRAFT).status_code == 404


def test_assistants_read_and_do_not_change(app: FastAPI, client: IsolatedTestClient) -> None:
    read_as(app, "assistant")
    page = client.get(DRAFT)
    assert page.status_code == 200
    assert "Change this draft" not in page.text
    assert client.get(f"{DRAFT}/edit").status_code == 403
    assert client.post(f"{DRAFT}/copy").status_code == 403


def test_the_difference_reads_as_text(client: IsolatedTestClient) -> None:
    path = f"{DRAFT}/requirements/mug"
    client.post(path, data=open_form(client, path) | {"item": "Mug with lid"})
    page = client.get(f"{DRAFT}/difference?since=small").text
    assert re.search(r"<del>Mug</del>.*?<ins>Mug with lid</ins>", page, re.S)


# -- import ----------------------------------------------------------------------------------------------


def test_import_of_a_text_and_of_a_file(client: IsolatedTestClient) -> None:
    text = to_yaml(edition_from_plain(an_edition(id="pasted")))
    pasted = client.post("/kit-lists/_import", data={"text": text}, files={"file": ("", b"")})
    assert pasted.headers["location"] == "/kit-lists/pasted"
    sent = text.replace("pasted", "sent").encode()
    uploaded = client.post("/kit-lists/_import", data={"text": ""}, files={"file": ("list.yaml", sent)})
    assert uploaded.headers["location"] == "/kit-lists/sent"


def test_import_lists_every_fault_with_its_line_and_keeps_the_text(client: IsolatedTestClient) -> None:
    text = to_yaml(edition_from_plain(an_edition(id="pasted")))
    bad = text.replace("zone: kitchen-water", "zone: kitchen").replace(
        "metric: freezing_level_m", "metric: x_y"
    )
    answer = client.post("/kit-lists/_import", data={"text": bad}, files={"file": ("", b"")})
    assert answer.status_code == 422
    line = next(n for n, row in enumerate(bad.splitlines(), 1) if "zone: kitchen" in row)
    assert f"Line {line}, column" in answer.text
    assert form_of(answer.text)["text"] == [bad]
    assert client.get("/kit-lists/pasted").status_code == 404


def test_import_of_nothing_says_what_to_do(client: IsolatedTestClient) -> None:
    answer = client.post("/kit-lists/_import", data={"text": " "}, files={"file": ("", b"")})
    assert answer.status_code == 422
    assert "Send one of them." in answer.text
