"""The JSON API of kit lists."""

from dataclasses import dataclass
from datetime import datetime
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Header, Request, Response, status

from api.access.current import CurrentReader, Reader
from api.access.permissions import permit
from api.clock import Clock
from api.db import Reading, Writing
from api.errors import Refused
from api.kitlist import service
from api.kitlist.loading import edition_schema
from api.kitlist.queries import EditionRow
from api.kitlist.schemas import Edition
from api.kitlist.wire import CopyWanted, DifferenceFound, EditionSummary, EditionWhole
from api.kitlist.writing import to_yaml

router = APIRouter(prefix="/api/kit-lists", tags=["kit lists"])
schema_router = APIRouter(tags=["kit lists"])

YAML = "application/yaml"
EDITORS = frozenset({"lead", "office", "admin"})
_EDITION_BODY: dict[str, Any] = {
    "requestBody": {
        "required": True,
        "content": {
            "application/json": {"schema": {"type": "object"}},
            YAML: {"schema": {"type": "string"}},
        },
    }
}


@dataclass(frozen=True, slots=True)
class Sent:
    """The body of a request as it came."""

    content: bytes
    is_json: bool

    def edition(self) -> Edition:
        return service.read_sent(self.content, is_json=self.is_json)


async def _sent(request: Request) -> Sent:
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    return Sent(await request.body(), is_json=kind.endswith("json"))


def _now(request: Request) -> datetime:
    clock: Clock = request.app.state.clock
    return clock.now()


def _editor(reader: CurrentReader) -> Reader:
    if reader.role not in EDITORS:
        raise Refused("Kit lists are changed by lead guides and the office. Ask one of them.")
    return reader


AnEdition = Annotated[Sent, Depends(_sent)]
Now = Annotated[datetime, Depends(_now)]
Editor = Annotated[Reader, Depends(_editor)]
IfMatch = Annotated[str | None, Header(alias="If-Match")]


@router.get("", dependencies=[permit("kitlist.read")])
def list_editions(conn: Reading, reader: CurrentReader) -> list[EditionSummary]:
    """All editions of the outfit."""
    return [EditionSummary.of(row) for row in service.list_editions(conn, reader.outfit)]


@router.post(
    "",
    dependencies=[permit("kitlist.edit")],
    status_code=status.HTTP_201_CREATED,
    openapi_extra=_EDITION_BODY,
)
def create_edition(
    sent: AnEdition, work: Writing, editor: Editor, now: Now, response: Response
) -> EditionSummary:
    """Keep an edition, sent as YAML or JSON, as a draft."""
    return _answer(response, service.create(work, editor.outfit, sent.edition(), now=now))


@router.get("/{edition}", dependencies=[permit("kitlist.read")])
def get_edition(edition: str, conn: Reading, reader: CurrentReader, response: Response) -> EditionWhole:
    """One edition with its content."""
    summary = _answer(response, service.get_row(conn, reader.outfit, edition))
    return EditionWhole(summary=summary, edition=service.get_edition(conn, reader.outfit, edition))


@router.get(
    "/{edition}/yaml",
    dependencies=[permit("kitlist.read")],
    response_class=Response,
    responses={200: {"content": {YAML: {}}}},
)
def get_yaml(edition: str, conn: Reading, reader: CurrentReader) -> Response:
    """One edition as a YAML file."""
    found = service.get_edition(conn, reader.outfit, edition)
    disposition = f'attachment; filename="{found.id}.yaml"'
    return Response(to_yaml(found), media_type=YAML, headers={"Content-Disposition": disposition})


@router.put("/{edition}", dependencies=[permit("kitlist.edit")], openapi_extra=_EDITION_BODY)
def change_edition(
    edition: str,
    sent: AnEdition,
    work: Writing,
    editor: Editor,
    now: Now,
    response: Response,
    if_match: IfMatch = None,
) -> EditionSummary:
    """Give a draft new content. With If-Match, only when nobody changed it in between."""
    expected = None if if_match in (None, "*") else if_match.strip('"')
    content = sent.edition()
    row = service.change(work, editor.outfit, edition, content, now=now, expected=expected)
    return _answer(response, row)


@router.delete("/{edition}", dependencies=[permit("kitlist.edit")], status_code=status.HTTP_204_NO_CONTENT)
def discard_edition(edition: str, work: Writing, editor: Editor) -> None:
    """Forget a draft."""
    service.discard(work, editor.outfit, edition)


@router.post("/{edition}/copy", dependencies=[permit("kitlist.edit")], status_code=status.HTTP_201_CREATED)
def copy_edition(
    edition: str,
    work: Writing,
    editor: Editor,
    now: Now,
    response: Response,
    wanted: CopyWanted | None = None,
) -> EditionSummary:
    """Make a draft from an edition, with the next number."""
    new_id = wanted.id if wanted else None
    return _answer(response, service.copy(work, editor.outfit, edition, now=now, new_id=new_id))


@router.post("/{edition}/publish", dependencies=[permit("kitlist.edit")])
def publish_edition(edition: str, work: Writing, editor: Editor, now: Now) -> EditionSummary:
    """Fix a draft, so that trips may name it."""
    return EditionSummary.of(service.publish(work, editor.outfit, edition, now=now))


@router.get("/{old}/difference/{new}", dependencies=[permit("kitlist.read")])
def compare_editions(old: str, new: str, conn: Reading, reader: CurrentReader) -> DifferenceFound:
    """What differs between two editions, in words."""
    return DifferenceFound.of(old, new, service.compare(conn, reader.outfit, old, new))


@schema_router.get("/api/kit-list-schema", dependencies=[permit("kitlist.read")])
def get_schema() -> dict[str, Any]:
    """The JSON Schema of an edition, with the metrics that are known."""
    return edition_schema()


def _answer(response: Response, row: EditionRow) -> EditionSummary:
    response.headers["ETag"] = f'"{row.sha256}"'
    return EditionSummary.of(row)
