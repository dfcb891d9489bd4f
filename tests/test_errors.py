"""One shape for every error, the same text for programs and people, and no code without an explanation."""

from __future__ import annotations

import ast
import json
from pathlib import Path
from typing import Any, Literal

import pytest
from fastapi import FastAPI, Request, Response
from pydantic import AwareDatetime, BaseModel, Field, ValidationError, field_validator
from structlog.testing import capture_logs

from api.errors import (
    CODES,
    MEDIA_TYPE,
    Conflict,
    FieldProblem,
    Invalid,
    NotFound,
    Problem,
    Refused,
    TooLarge,
    TooMany,
    Unavailable,
    set_page_renderer,
    shorten,
)
from api.units import Kind, parse_quantity
from tests.support.client import IsolatedTestClient

pytestmark = pytest.mark.one_database

ROOT = Path(__file__).resolve().parent.parent
MEMBERS = {"type", "title", "status", "code", "detail", "fields"}


class Stage(BaseModel):
    name: str = Field(min_length=2)
    start: AwareDatetime
    effort: Literal["easy", "hard"]
    climb: float = Field(ge=0, allow_inf_nan=False)

    @field_validator("climb", mode="before")
    @classmethod
    def read_climb(cls, written: Any) -> Any:
        return parse_quantity(written, Kind.LENGTH, field="climb") if isinstance(written, str) else written


RAISED: list[Problem] = [
    Invalid.field("freezing_level", "4000 parsecs", "is not a length.", "Write it in m or ft."),
    Refused("Only a lead guide may do this."),
    NotFound("There is no such trip."),
    Conflict("Someone changed this stage in between. Look at it again, then repeat your change."),
    TooLarge("At most 500 rows at once."),
    TooMany("Wait a little.", retry_after=30),
    Unavailable("The forecast source does not answer."),
]


@pytest.fixture
def failing(app: FastAPI, client: IsolatedTestClient) -> IsolatedTestClient:
    @app.get("/api/test/raise/{index}")
    def raise_problem(index: int) -> None:
        raise RAISED[index]

    @app.get("/test/raise/{index}")
    def raise_on_page(index: int) -> None:
        raise RAISED[index]

    @app.post("/api/test/stages")
    def take(stage: Stage) -> dict[str, str]:
        return {"name": stage.name}

    @app.get("/api/test/inside")
    def validate_inside() -> None:
        Stage.model_validate({"name": "x"})

    @app.get("/api/test/crash")
    def crash() -> None:
        raise RuntimeError("secret inside: /home/guide/keys")

    return client


@pytest.mark.parametrize("index", range(len(RAISED)))
def test_each_kind_goes_out_as_rfc_9457_with_its_status(failing: IsolatedTestClient, index: int) -> None:
    expected = RAISED[index]
    answer = failing.get(f"/api/test/raise/{index}")
    assert answer.status_code == expected.status
    assert answer.headers["content-type"] == MEDIA_TYPE
    body = answer.json()
    assert set(body) == MEMBERS
    assert (body["status"], body["code"], body["detail"]) == (expected.status, expected.code, expected.detail)
    meaning = failing.get(body["type"]).json()
    assert meaning["code"] == expected.code
    assert meaning["meaning"]


def test_too_many_says_how_long_to_wait(failing: IsolatedTestClient) -> None:
    assert failing.get("/api/test/raise/5").headers["retry-after"] == "30"


def test_validation_names_field_value_and_remedy(failing: IsolatedTestClient) -> None:
    sent = {"name": "x", "start": "2026-07-14T05:00:00", "effort": "brutal", "climb": -3}
    answer = failing.post("/api/test/stages", json=sent)
    assert answer.status_code == 422
    fields = {field["field"]: field for field in answer.json()["fields"]}
    assert set(fields) == {"name", "start", "effort", "climb"}
    assert fields["name"]["remedy"] == "Write at least 2 characters."
    assert fields["start"]["value"] == "2026-07-14T05:00:00"
    assert fields["start"]["remedy"] == "Add the offset from UTC, for example +02:00 or Z."
    assert fields["effort"]["remedy"] == "Use one of: 'easy', 'hard'."
    assert fields["climb"]["remedy"] == "Give a number of at least 0.0."
    assert "Nothing was stored" in answer.json()["detail"]


def test_a_validator_of_ours_brings_its_own_remedy(failing: IsolatedTestClient) -> None:
    sent = {"name": "Serac camp", "start": "2026-07-14T05:00:00Z", "effort": "easy", "climb": "900 furlongs"}
    (field,) = failing.post("/api/test/stages", json=sent).json()["fields"]
    assert field["message"] == "“furlongs” is not a unit of length."
    assert field["remedy"] == "Use one of: m, ft, km, mi, cm, mm, in."


def test_a_missing_field_and_broken_json_are_told_apart(failing: IsolatedTestClient) -> None:
    missing = failing.post("/api/test/stages", json={}).json()["fields"]
    assert {field["remedy"] for field in missing} == {"Give a value for this field."}
    assert {field["value"] for field in missing} == {None}
    broken = failing.post("/api/test/stages", content="{", headers={"content-type": "application/json"})
    assert broken.status_code == 422
    assert broken.json()["fields"][0]["remedy"] == "Send well-formed JSON with Content-Type application/json."


def test_validation_inside_the_service_has_the_same_shape(failing: IsolatedTestClient) -> None:
    answer = failing.get("/api/test/inside")
    assert answer.status_code == 422
    assert {field["field"] for field in answer.json()["fields"]} == {"name", "start", "effort", "climb"}


def test_a_crash_says_nothing_of_the_inside_but_can_be_found_in_the_log(failing: IsolatedTestClient) -> None:
    with capture_logs() as logs:
        answer = failing.get("/api/test/crash")
    assert answer.status_code == 500
    assert "secret" not in answer.text
    assert "RuntimeError" not in answer.text
    (line,) = [line for line in logs if line["event"] == "unhandled_error"]
    assert line["reference"] == answer.json()["reference"]
    assert line["reference"] in answer.json()["detail"]


@pytest.mark.parametrize(
    ("method", "path", "status", "code"),
    [("GET", "/api/nowhere", 404, "not-found"), ("DELETE", "/healthz", 405, "method-not-allowed")],
)
def test_the_frameworks_own_refusals_have_our_shape(
    client: IsolatedTestClient, method: str, path: str, status: int, code: str
) -> None:
    answer = client.request(method, path)
    assert (answer.status_code, answer.json()["code"]) == (status, code)
    assert set(answer.json()) == MEMBERS


@pytest.mark.parametrize(
    ("headers", "whole_page"), [({"accept": "text/html"}, True), ({"hx-request": "true"}, False)]
)
def test_people_get_the_same_text_as_a_page_or_a_fragment_with_the_real_status(
    failing: IsolatedTestClient, headers: dict[str, str], whole_page: bool
) -> None:
    answer = failing.get("/test/raise/0", headers=headers)
    assert answer.status_code == 422
    assert answer.headers["content-type"].startswith("text/html")
    assert answer.text.startswith("<!doctype html>") is whole_page
    assert "freezing_level" in answer.text
    assert "Write it in m or ft." in answer.text


def test_what_people_sent_is_escaped_on_the_page(failing: IsolatedTestClient) -> None:
    RAISED.append(NotFound("<script>alert(1)</script>"))
    try:
        page = failing.get(f"/test/raise/{len(RAISED) - 1}", headers={"accept": "text/html"}).text
    finally:
        RAISED.pop()
    assert "<script>" not in page
    assert "&lt;script&gt;" in page


def test_the_web_layer_decides_how_a_problem_looks_but_not_its_status(
    app: FastAPI, failing: IsolatedTestClient
) -> None:
    seen: list[tuple[str, bool]] = []

    def render(request: Request, body: Any, fragment: bool) -> Response:
        seen.append((body["code"], fragment))
        return Response(f"<h1>{body['title']}</h1>", media_type="text/html")

    set_page_renderer(app, render)
    answer = failing.get("/test/raise/2", headers={"accept": "text/html"})
    assert (answer.status_code, answer.text) == (404, "<h1>Not found</h1>")
    failing.get("/test/raise/1", headers={"hx-request": "true"})
    assert seen == [("not-found", False), ("refused", True)]


def test_secrets_are_never_sent_back_and_long_values_are_cut() -> None:
    assert shorten("body.password", "crampon") is None
    assert shorten("api_token", "x") is None
    assert shorten("name", "a" * 500) == "a" * 79 + "…"
    assert shorten("wind_mps", 12.5) == 12.5
    assert shorten("wind_mps", float("nan")) == "nan"
    assert json.dumps(shorten("stages", [{"a": object}]))
    assert FieldProblem("token", "x", "Sign in again.", "is used up").shown()["value"] is None


def test_a_code_has_one_meaning() -> None:
    with pytest.raises(TypeError, match="'not-found' is taken"):

        class Lost(Problem):
            """Something else altogether."""

            code = "not-found"
            status = 404


def problem_classes_in_the_source() -> set[str]:
    """Every `code = "..."` in a class body of the source."""
    found = set()
    for file in [*ROOT.glob("api/**/*.py"), *ROOT.glob("web/**/*.py")]:
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ClassDef) and any(_is_problem(base) for base in node.bases):
                found |= {
                    item.value.value
                    for item in node.body
                    if isinstance(item, ast.Assign)
                    and isinstance(item.targets[0], ast.Name)
                    and item.targets[0].id == "code"
                    and isinstance(item.value, ast.Constant)
                }
    return found


def _is_problem(base: ast.expr) -> bool:
    kinds = {"Problem", "Invalid", "Refused", "NotFound", "Conflict", "TooLarge", "TooMany", "Unavailable"}
    name = base.attr if isinstance(base, ast.Attribute) else getattr(base, "id", "")
    return name in kinds


def test_every_error_code_is_listed_and_explained(client: IsolatedTestClient) -> None:
    listed = {entry["code"]: entry for entry in client.get("/api/problems").json()}
    assert problem_classes_in_the_source() <= set(listed)
    assert set(listed) >= {kind.code for kind in RAISED}
    for code, entry in CODES.items():
        assert code == code.lower().replace("_", "-").strip("-")
        assert entry.meaning.endswith("."), code
        assert 400 <= entry.status < 600
    assert client.get("/api/problems/no-such-code").status_code == 404


def test_pydantic_errors_outside_a_request_are_ordinary_exceptions() -> None:
    with pytest.raises(ValidationError):
        Stage.model_validate({})
