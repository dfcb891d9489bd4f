"""The Jinja environment: all is escaped, an unknown name is an error, each template is compiled once."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache
from pathlib import Path
from typing import Any, cast

from fastapi import FastAPI, Request
from fastapi.responses import HTMLResponse, Response
from jinja2 import Environment, FileSystemLoader, StrictUndefined

from api.packing import mark_of
from web import words
from web.pages.screens import Menu
from web.site import static_url

HERE = Path(__file__).parent

HTMX_CONFIG = json.dumps(
    {
        "includeIndicatorCSS": False,  # it would be an inline style, which the security policy forbids
        "history": False,
        "morphIgnore": ["data-htmx-powered", "open"],  # what a reader opened stays open
    },
    separators=(",", ":"),
)


@dataclass(frozen=True, slots=True)
class DemoBar:
    """What the bar of the demo shows: its clock, and who one reads as."""

    now: datetime
    """What its clock shows, in the time zone of the trip."""
    role: str
    roles: tuple[tuple[str, str], ...]
    """(value, words) of each role that can be chosen."""
    next_moment: str | None = None
    """What the button that jumps ahead leads to, in words."""


@dataclass(frozen=True, slots=True)
class Shell:
    """What is around every page: the reader's units, who they are, and the demo's bar if there is one."""

    units: words.Units = words.Units.METRIC
    reader: str | None = None
    demo: DemoBar | None = None
    signed_in: bool = False
    """Whether they have an account, and so can sign out."""
    manages: bool = False
    """Whether they let others in and keep them out."""
    menu: Menu | None = None
    """The screens of the trip that the page is about."""


ShellMaker = Callable[[Request], Shell]


def set_shell(app: FastAPI, make: ShellMaker) -> None:
    """Let the composition root say who reads and whether this is the demo: ``make(request) -> Shell``."""
    app.state.shell = make


def shell_of(request: Request) -> Shell:
    """The shell of this request; without a maker, metric units unless the cookie says otherwise."""
    make: ShellMaker | None = getattr(request.app.state, "shell", None)
    return make(request) if make else Shell(units=units_of(request))


def units_of(request: Request) -> words.Units:
    """The units this device asked for."""
    return words.Units.US if request.cookies.get("units") == "us" else words.Units.METRIC


@lru_cache(maxsize=1)
def environment() -> Environment:
    """The one environment of this process."""
    made = Environment(
        loader=FileSystemLoader(HERE / "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        auto_reload=False,
        cache_size=-1,
    )
    made.globals.update(static=static_url, words=words, htmx_config=HTMX_CONFIG)
    return made


def render(template: str, **context: Any) -> str:
    """The text of a template. Whole pages also need `shell` and `say`."""
    return environment().get_template(template).render(context)


def page(
    request: Request,
    template: str,
    *,
    status_code: int = 200,
    headers: Mapping[str, str] | None = None,
    **context: Any,
) -> HTMLResponse:
    """Answer with a page or a part of one; adds the `shell`, and a `say` where the caller gives none."""
    shell = context.pop("shell", None) or shell_of(request)
    context.setdefault("say", words.Say(units=shell.units))
    text = render(template, shell=shell, path=request.url.path, **context)
    return HTMLResponse(text, status_code=status_code, headers=dict(headers or {}))


def conditional(request: Request, answer: Response) -> Response:
    """The answer with a mark of its content; "not changed" (304) for a reader who already has it."""
    return marked(request, answer, mark_of(bytes(answer.body)))


def marked(request: Request, answer: Response, mark: str) -> Response:
    """Like `conditional`, for content whose mark is known already."""
    headers = {"ETag": mark, "Cache-Control": "private, no-cache"}
    known = {part.strip().removeprefix("W/") for part in request.headers.get("if-none-match", "").split(",")}
    if mark in known:
        return Response(status_code=304, headers=headers)
    answer.headers.update(headers)
    return answer


def problem_page(request: Request, body: Mapping[str, Any], fragment: bool) -> Response:
    """How a problem looks to a person: the text of the problem JSON.

    Goes to ``errors.set_page_renderer``.
    """
    template = "problem/_part.html" if fragment else "problem/page.html"
    return cast(Response, page(request, template, problem=body))


def forms_errors(problem: Mapping[str, Any] | None) -> dict[str, Mapping[str, Any]]:
    """What is wrong, by field name, as the form macros take it. ``problem`` is an RFC 9457 object or None."""
    return {field["field"]: field for field in problem["fields"]} if problem else {}
