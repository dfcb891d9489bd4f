"""What every page stands on: parts swapped under a strict policy, errors in place, and the checkers."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
from fastapi import FastAPI, Response
from playwright.sync_api import expect

from api.errors import Invalid
from api.main import create_app
from api.settings import Settings
from tests.support.live import LiveServer, served
from tests.support.pages import axe_violations, html_errors
from web.site import static_url

PAGE = """<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width">
<meta name="htmx-config" content='{"includeIndicatorCSS": false}'>
<title>Parts</title>
<link rel="icon" href="data:,">
<script src="SCRIPT" defer></script>
</head>
<body>
<main>
<h1>Parts</h1>
<button type="button" data-hx-get="/test/_part" data-hx-target="#part">Look again</button>
<form action="/test/tick" method="post" data-hx-post="/test/tick" data-hx-target="#part">
<label>Item <input name="item" value="helmet"></label>
<button type="submit">Seen</button>
</form>
<div id="part" role="status">nothing yet</div>
</main>
</body>
</html>
"""


def add_pages(app: FastAPI) -> None:
    page = PAGE.replace("SCRIPT", static_url("vendor/htmx.js"))

    @app.get("/test/page")
    def whole() -> Response:
        return Response(page, media_type="text/html")

    @app.get("/test/_part")
    def part() -> Response:
        return Response("<p>the helmet was seen</p>", media_type="text/html")

    @app.post("/test/tick")
    def tick() -> Response:
        raise Invalid.field("item", "helmet", "was ticked by someone else.", "Look again before you tick.")

    @app.get("/test/inline")
    def inline() -> Response:
        planted = page.replace("nothing yet", "<script>document.title = 'taken over'</script>nothing yet")
        return Response(planted, media_type="text/html")


@pytest.fixture
def live_server(live_settings: Settings) -> Iterator[LiveServer]:
    app = create_app(live_settings)
    add_pages(app)
    with served(app, live_settings) as server:
        yield server


@pytest.fixture
def messages(browser_page: Any) -> list[str]:
    seen: list[str] = []
    browser_page.on("console", lambda message: seen.append(message.text))
    return seen


def test_a_part_is_swapped_under_the_strict_policy(browser_page: Any, messages: list[str]) -> None:
    browser_page.goto("/test/page")
    browser_page.get_by_role("button", name="Look again").click()
    expect(browser_page.locator("#part")).to_have_text("the helmet was seen")
    assert messages == []


def test_an_error_is_shown_in_place_with_its_remedy(browser_page: Any) -> None:
    browser_page.goto("/test/page")
    with browser_page.expect_response("**/test/tick") as answered:
        browser_page.get_by_role("button", name="Seen").click()
    assert answered.value.status == 422
    expect(browser_page.locator("#part")).to_contain_text("Look again before you tick.")


def test_without_scripts_the_same_form_gets_the_same_text_as_a_page(
    browser: Any, live_server: LiveServer
) -> None:
    context = browser.new_context(base_url=live_server.url, java_script_enabled=False)
    page = context.new_page()
    page.goto("/test/page")
    page.get_by_role("button", name="Seen").click()
    expect(page.get_by_role("alert")).to_contain_text("Look again before you tick.")
    context.close()


def test_a_planted_script_does_not_run(browser_page: Any, messages: list[str]) -> None:
    browser_page.goto("/test/inline")
    expect(browser_page).to_have_title("Parts")
    assert any("Content Security Policy" in message for message in messages)


def test_the_checkers_pass_a_good_page_and_catch_a_bad_one(browser_page: Any) -> None:
    browser_page.goto("/test/page")
    good = PAGE.replace("SCRIPT", "/static/vendor/htmx.js")
    bad = good.replace("<label>Item ", "<center>Item ").replace("></label>", "></center>")
    found = html_errors({"good": good, "bad": bad})
    assert found
    assert {line.split(":")[0] for line in found} == {"bad"}
    assert axe_violations(browser_page) == []
    browser_page.evaluate("document.querySelector('label').replaceWith(document.querySelector('input'))")
    assert [violation.split()[0] for violation in axe_violations(browser_page)] == ["label"]
