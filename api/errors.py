"""Errors people can act on: typed, with the field, the value and the remedy, in one shape everywhere.

JSON clients get RFC 9457 ``application/problem+json``; browsers get the same text as a page or, for a part
that is swapped in place, as a fragment, always with the real status. ``install`` puts the handlers on an app;
the web layer hands in how a page looks through ``set_page_renderer``.

    Problem
    +-- Invalid      422   something sent cannot be used
    +-- Refused      403   not allowed
    +-- NotFound     404   not here
    +-- Conflict     409   does not go with what is stored
    +-- TooLarge     413   more than is accepted
    +-- TooMany      429   too often
    +-- Unavailable  503   not now

A room adds a case of its own by subclassing one of these with a ``code``, a ``title`` and a docstring that
says what it means; ``CODES`` then lists it.
"""

from __future__ import annotations

import html
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from http import HTTPStatus
from typing import Any, ClassVar

import structlog
from fastapi import FastAPI, Request, Response
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse
from pydantic import ValidationError
from starlette.exceptions import HTTPException
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from api.error_remedies import remedy_for
from api.ids import new_id

MEDIA_TYPE = "application/problem+json"
LONGEST_VALUE_SHOWN = 80
_SECRET_WORDS = ("password", "secret", "token", "passphrase")

log = structlog.get_logger(__name__)


@dataclass(frozen=True)
class FieldProblem:
    """One field that cannot be used: where, what was sent, what is wrong, what to do."""

    field: str
    value: Any
    remedy: str
    message: str

    def shown(self) -> dict[str, Any]:
        """As it goes over the wire; secrets are left out and long values cut."""
        return {
            "field": self.field,
            "value": shorten(self.field, self.value),
            "message": self.message,
            "remedy": self.remedy,
        }


@dataclass(frozen=True)
class CodeEntry:
    """What a code means, for the list of all codes."""

    code: str
    status: int
    title: str
    meaning: str


CODES: dict[str, CodeEntry] = {}


class Problem(Exception):
    """Something went wrong that the other side can understand."""

    status: int = 500
    code: ClassVar[str] = "problem"
    title: str = "Something went wrong"

    def __init_subclass__(cls, **kwargs: Any) -> None:
        super().__init_subclass__(**kwargs)
        meaning = " ".join((cls.__doc__ or "").split())
        entry = CodeEntry(cls.code, cls.status, cls.title, meaning)
        if CODES.setdefault(cls.code, entry) != entry:
            raise TypeError(f"{cls.__qualname__} needs a code of its own; {cls.code!r} is taken")

    def __init__(
        self,
        detail: str,
        *,
        fields: Iterable[FieldProblem] = (),
        headers: Mapping[str, str] | None = None,
        extra: Mapping[str, Any] | None = None,
    ) -> None:
        super().__init__(detail)
        self.detail = detail
        self.fields = list(fields)
        self.headers = dict(headers or {})
        self.extra = dict(extra or {})

    def body(self) -> dict[str, Any]:
        """The RFC 9457 object. ``fields`` lists each field at fault; ``extra`` members follow."""
        return {
            "type": f"/api/problems/{self.code}",
            "title": self.title,
            "status": self.status,
            "code": self.code,
            "detail": self.detail,
            "fields": [field.shown() for field in self.fields],
            **self.extra,
        }


class Invalid(Problem):
    """Something that was sent cannot be used as it is; each field at fault is listed with its remedy."""

    status = 422
    code = "invalid"
    title = "Please correct what was sent"

    @classmethod
    def field(cls, field: str, value: Any, message: str, remedy: str) -> Invalid:
        """An error about one field."""
        return cls(f"{field}: {message}", fields=[FieldProblem(field, value, remedy, message)])


class Refused(Problem):
    """Known who asks, and it is not theirs to do."""

    status = 403
    code = "refused"
    title = "Not allowed"


class CrossOrigin(Refused):
    """A write came from another web site; only pages of this installation may write."""

    code = "cross-origin"
    title = "Came from another site"


class NotFound(Problem):
    """Nothing is kept under this address or identifier."""

    status = 404
    code = "not-found"
    title = "Not found"


class MethodNotAllowed(Problem):
    """The address exists, but not for this method."""

    status = 405
    code = "method-not-allowed"
    title = "Not possible here"


class Conflict(Problem):
    """It does not go with what is stored, usually because someone else changed it in between; nothing was
    changed.
    """

    status = 409
    code = "conflict"
    title = "Does not go with what is stored"


class TooLarge(Problem):
    """More was sent than is accepted at once; nothing was stored."""

    status = 413
    code = "too-large"
    title = "Too large"


class TooMany(Problem):
    """Asked too often; the answer says how many seconds to wait."""

    status = 429
    code = "too-many"
    title = "Too many requests"

    def __init__(self, detail: str, *, retry_after: int, fields: Iterable[FieldProblem] = ()) -> None:
        super().__init__(detail, fields=fields, headers={"Retry-After": str(retry_after)})
        self.retry_after = retry_after


class Unavailable(Problem):
    """Cannot be done at the moment; nothing was stored, and trying again later may work."""

    status = 503
    code = "unavailable"
    title = "Not available right now"


class BadRequest(Problem):
    """The request itself could not be read."""

    status = 400
    code = "bad-request"
    title = "Could not be read"


class Internal(Problem):
    """A fault of the service; the reference finds it in the log."""

    status = 500
    code = "internal"
    title = "Something went wrong here"


class Other(Problem):
    """The request was refused for another reason; the status says which."""

    code = "other"


DESCRIBED: dict[int | str, dict[str, Any]] = {
    "4XX": {
        "description": "Refused; the problem (RFC 9457) says why, which fields, and what to do.",
        "content": {MEDIA_TYPE: {"schema": {"type": "object"}}},
    },
    503: {
        "description": "Not at the moment; nothing was stored.",
        "content": {MEDIA_TYPE: {"schema": {"type": "object"}}},
    },
}
"""For the description of every operation: how any of them may refuse."""

_BY_STATUS: dict[int, type[Problem]] = {
    kind.status: kind
    for kind in (BadRequest, Invalid, Refused, NotFound, MethodNotAllowed, Conflict, TooLarge)
}


def shorten(field: str, value: Any) -> Any:
    """``value`` as it may be shown: short, JSON-safe, and never a secret."""
    if any(word in field.lower() for word in _SECRET_WORDS):
        return None
    if value is None or isinstance(value, bool | int | float):
        return value if value == value and abs(value or 0) != float("inf") else str(value)
    text = value if isinstance(value, str) else repr(value)
    return text if len(text) <= LONGEST_VALUE_SHOWN else text[: LONGEST_VALUE_SHOWN - 1] + "…"


def from_validation(
    errors: Sequence[Any], *, skip: Sequence[str] = ("body", "query", "path", "header")
) -> Invalid:
    """Turn pydantic's error list into an ``Invalid`` with one entry a field."""
    fields = []
    for error in errors:
        where = [str(part) for part in error["loc"]]
        if len(where) > 1 and where[0] in skip:
            where = where[1:]
        message, remedy = remedy_for(error)
        value = None if error["type"] == "missing" else error.get("input")
        fields.append(FieldProblem(".".join(where) or "body", value, remedy, message))
    count = len(fields)
    names = ", ".join(dict.fromkeys(field.field for field in fields))
    noun = "field needs" if count == 1 else "fields need"
    return Invalid(f"{count} {noun} a correction: {names}. Nothing was stored.", fields=fields)


PageRenderer = Callable[[Request, Mapping[str, Any], bool], Response]


def set_page_renderer(app: FastAPI, render: PageRenderer) -> None:
    """Let the web layer show problems: ``render(request, body, fragment)`` answers with HTML.

    ``body`` is the RFC 9457 object; ``fragment`` is true for a request that swaps a part of a page. The
    status is put on the answer afterwards, whatever ``render`` says.
    """
    app.state.problem_page = render


def wants_page(request: Request) -> bool:
    """Whether a person's browser asks, rather than a program."""
    if request.headers.get("hx-request") == "true":
        return True
    if request.url.path.startswith("/api/"):
        return False
    return "text/html" in request.headers.get("accept", "")


def answer(request: Request, problem: Problem) -> Response:
    """The answer that carries ``problem``, in the form this request can use."""
    body = problem.body()
    response: Response
    if wants_page(request):
        render: PageRenderer = getattr(request.app.state, "problem_page", _bare_page)
        response = render(request, body, request.headers.get("hx-request") == "true")
        response.status_code = problem.status
    else:
        response = JSONResponse(body, status_code=problem.status, media_type=MEDIA_TYPE)
    response.headers.update(problem.headers)
    response.headers["Cache-Control"] = "no-store"
    return response


def _bare_page(request: Request, body: Mapping[str, Any], fragment: bool) -> Response:
    """A plain page for the time before the web layer has said how problems look."""
    lines = "".join(
        f"<li><strong>{html.escape(field['field'])}</strong>: {html.escape(field['message'])} "
        f"{html.escape(field['remedy'])}</li>"
        for field in body["fields"]
    )
    text = f"<p>{html.escape(body['detail'])}</p>" + (f"<ul>{lines}</ul>" if lines else "")
    title = html.escape(body["title"])
    part = f'<section role="alert"><h1>{title}</h1>{text}</section>'
    if fragment:
        return Response(part, media_type="text/html")
    page = (
        '<!doctype html><html lang="en"><head><meta charset="utf-8">'
        f"<title>{title}</title></head><body><main>{part}</main></body></html>"
    )
    return Response(page, media_type="text/html")


def from_http_exception(error: HTTPException) -> Problem:
    """Give the framework's own refusals our shape."""
    kind = _BY_STATUS.get(error.status_code)
    standard = HTTPStatus(error.status_code).phrase
    detail = str(error.detail) if error.detail and error.detail != standard else ""
    if kind is NotFound:
        problem: Problem = NotFound(detail or "Nothing is kept at this address. Check it.")
    elif kind is TooLarge:
        problem = TooLarge("This is more than is accepted at once. Send a smaller file or fewer rows.")
    elif kind is MethodNotAllowed:
        problem = MethodNotAllowed("This address does not take that method; see /api/openapi.json.")
    elif kind is not None:
        problem = kind(detail or standard)
    else:
        problem = Other(detail or standard)
        problem.status, problem.title = error.status_code, standard
    problem.headers.update(error.headers or {})
    return problem


class UnhandledErrors:
    """Pure-ASGI backstop: an exception nobody handled becomes a 500 with a reference, and one log entry.

    The answer says nothing about the inside; the log has the traceback under the same reference.
    """

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        started = False

        async def watched(message: Message) -> None:
            nonlocal started
            started = started or message["type"] == "http.response.start"
            await send(message)

        try:
            await self.app(scope, receive, watched)
        except Exception as error:
            reference = str(new_id())
            log.exception(
                "unhandled_error", reference=reference, path=scope["path"], kind=type(error).__name__
            )
            if started:
                raise
            problem = Internal(
                f"The service failed on this request. Nothing was stored. Reference: {reference}",
                extra={"reference": reference},
            )
            await answer(Request(scope), problem)(scope, receive, send)


def install(app: FastAPI) -> None:
    """Put the handlers on ``app``. Add ``UnhandledErrors`` as a middleware besides."""

    async def on_problem(request: Request, error: Exception) -> Response:
        assert isinstance(error, Problem)
        return answer(request, error)

    async def on_validation(request: Request, error: Exception) -> Response:
        assert isinstance(error, RequestValidationError | ValidationError)
        return answer(request, from_validation(error.errors()))

    async def on_http(request: Request, error: Exception) -> Response:
        assert isinstance(error, HTTPException)
        return answer(request, from_http_exception(error))

    app.add_exception_handler(Problem, on_problem)
    app.add_exception_handler(RequestValidationError, on_validation)
    app.add_exception_handler(ValidationError, on_validation)
    app.add_exception_handler(HTTPException, on_http)
