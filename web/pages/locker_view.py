"""What the locker's pages share: words for its states, reading a form, and showing it again."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Annotated, Any, TypeVar

from fastapi import Depends, Request
from fastapi.responses import RedirectResponse, Response
from markupsafe import Markup
from pydantic import BaseModel, ValidationError

from api.db import Work
from api.errors import Conflict, Invalid, from_validation
from api.kitlist.schemas import Question
from web.rendering import forms_errors, page

M = TypeVar("M", bound=BaseModel)

STATES: dict[str, str] = {
    "free": "free",
    "promised": "promised",
    "out": "handed out",
    "overdue": "overdue",
    "due": "examination due",
    "ended": "past its life",
    "quarantine": "in quarantine",
    "retired": "retired",
}
EVENTS: dict[str, str] = {
    "added": "entered",
    "changed": "changed",
    "inspected": "examined",
    "quarantined": "put in quarantine",
    "released": "released",
    "retired": "retired",
    "handed out": "handed out",
    "returned": "came back",
}
LOANS: dict[str, str] = {
    "promised": "promised, not seen yet",
    "out": "handed out",
    "returned": "returned",
    "released": "let go",
}
CONDITIONS = (("fine", "fine"), ("damaged", "damaged, or doubtful"), ("lost", "lost"))

Sent = Mapping[str, str]


async def _sent(request: Request) -> Sent:
    form = await request.form()
    return {name: value.strip() for name, value in form.items() if isinstance(value, str)}


async def _sent_lines(request: Request) -> Sequence[str]:
    form = await request.form()
    return [value for value in form.getlist("lines") if isinstance(value, str)]


SentForm = Annotated[Sent, Depends(_sent)]
SentLines = Annotated[Sequence[str], Depends(_sent_lines)]


def taken(model: type[M], values: Mapping[str, Any]) -> M:
    """What a form says, as the API takes it. Raises Invalid with every field at fault."""
    try:
        return model.model_validate(values)
    except ValidationError as error:
        raise from_validation(error.errors()) from None


def filled(sent: Sent, *names: str) -> dict[str, str]:
    """The named fields that were filled in; the others keep what the model takes for granted."""
    return {name: sent[name] for name in names if sent.get(name)}


def done_or_again(
    work: Work, act: Callable[[], Any], done: str, form: Callable[[Invalid | Conflict], Response]
) -> Response:
    """Do it and go on to `done`; what is in the way comes back on the form, with everything typed kept."""
    try:
        with work.begin_nested():
            act()
    except (Invalid, Conflict) as problem:
        return form(problem)
    return RedirectResponse(done, status_code=303)


def form_page(
    request: Request, template: str, problem: Invalid | Conflict | None = None, **context: Any
) -> Response:
    """A page with a form, as it is or with what is in the way."""
    body = problem.body() if problem else None
    return page(
        request,
        template,
        status_code=problem.status if problem else 200,
        headers={"Cache-Control": "no-store"},
        problem=body,
        errors=forms_errors(body),
        **context,
    )


def answer_of(question: Question, written: str) -> bool | float | str:
    """An answer as a form sends it. Raises Invalid for a number that is none."""
    if question.kind == "yes-no":
        return written == "yes"
    if question.kind == "number":
        try:
            return float(written.replace(",", ".").replace("−", "-"))
        except ValueError:
            raise Invalid.field(
                f"answers.{question.id}", written, "not a number.", "Write a number, such as 12 or -5.5."
            ) from None
    return written


def choices_of(question: Question) -> list[tuple[str, str]]:
    """What can be chosen for a yes-or-no or choice question."""
    if question.kind == "yes-no":
        return [("", "not answered"), ("yes", "yes"), ("no", "no")]
    return [("", "not answered"), *((choice.id, choice.label) for choice in question.choices)]


def item_address(request: Request, item_id: str) -> str:
    """The address that a label's code leads to."""
    base = request.app.state.settings.base_url or str(request.base_url)
    return f"{base.rstrip('/')}/locker/items/{item_id}"


def qr(address: str) -> Markup:
    """A QR code as a picture in the page, readable through a scratched sleeve (a quarter may be lost)."""
    import segno

    code = segno.make(address, error="q", micro=False)
    picture = code.svg_inline(scale=4, border=4, svgclass="qr", lineclass=None, omitsize=True)
    # Nothing of it comes from a person: segno writes numbers and path letters.
    return Markup(picture)


def lines_of(field: str, written: str) -> dict[str, str]:
    """Lines of `question: answer`."""
    pairs = {}
    for line in filter(None, (line.strip() for line in written.splitlines())):
        key, colon, value = line.partition(":")
        if not colon or not value.strip():
            raise Invalid.field(field, line, "not a name and a value.", "Write a line such as points: 12.")
        pairs[key.strip()] = value.strip()
    return pairs


def typed(written: str) -> bool | float | str:
    """An answer as it was typed: yes or no, a number, or words."""
    if written in ("yes", "no"):
        return written == "yes"
    try:
        return float(written)
    except ValueError:
        return written


def shown(answer: object) -> str:
    """An answer as the form shows it."""
    if isinstance(answer, bool):
        return "yes" if answer else "no"
    return f"{answer:g}" if isinstance(answer, float) else str(answer)


def as_lines(answers: Mapping[str, object]) -> str:
    """Answers as lines of `question: answer`, as the form shows them."""
    return "\n".join(f"{name}: {shown(value)}" for name, value in sorted(answers.items()))
