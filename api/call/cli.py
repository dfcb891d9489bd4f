"""`rimaye call`: check a record, show the outfit's public key, take a record out, countersign what waits."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated, NoReturn

import typer

from api.call import queries, verify
from api.call.arriving import Arrivals, sealed_or_raise
from api.call.keys import Keys
from api.call.signing import key_id, public_bytes
from api.clock import SystemClock
from api.db import Database, Work
from api.errors import Problem
from api.journal.queries import outfit_of, outfits
from api.journal.service import Journal
from api.readiness.service import Readiness
from api.settings import Settings, get_settings

app = typer.Typer(help="Records of calls: check, take out, public key.", no_args_is_help=True)

OutfitOption = Annotated[str, typer.Option(help="Id of the outfit; may be left out when there is only one.")]


def for_new_outfit(work: Work, outfit: str) -> None:
    """Make the key that an outfit's calls are signed with, and say which it is."""
    key = Keys(get_settings().data_dir, SystemClock()).signing_key(work, outfit)
    public = public_bytes(key)
    typer.echo(f"Calls are signed with key {key_id(public)}; the public half: rimaye call public-key")


@app.command("verify")
def verify_file(
    file: Annotated[Path, typer.Argument(exists=True, dir_okay=False, help="A sealed record.")],
    public_key: Annotated[
        str, typer.Option(help="The outfit's public key in hexadecimal, when no database is at hand.")
    ] = "",
    alone: Annotated[
        bool, typer.Option("--alone", help="Check the file by itself, without a database.")
    ] = False,
    outfit: OutfitOption = "",
) -> None:
    """Check signature and content, the place in the journal, and that it comes out the same again."""
    text = file.read_bytes()
    if alone or public_key:
        found = verify.check_file(text, {public_key.lower()} if public_key else None)
    else:
        with _installed() as (db, readiness, _), db.reading() as conn:
            found = verify.check_here(conn, readiness, outfit or _only(outfits(conn)), text)
    for line in found.says():
        typer.echo(line)
    if not found.good:
        raise typer.Exit(1)


@app.command("public-key")
def show_public_key(outfit: OutfitOption = "") -> None:
    """Show the keys that calls are signed with, to hand out; one is made for an outfit that has none."""
    with _installed() as (db, _, keys), db.writing() as work:
        chosen = outfit or _only(outfits(work))
        keys.signing_key(work, chosen)
        for key_id, public, created_at in queries.all_keys(work, chosen):
            typer.echo(f"{key_id}  Ed25519  {public}  since {created_at:%Y-%m-%d}")


@app.command()
def export(
    trip: Annotated[str, typer.Argument(help="Id of the trip.")],
    call: Annotated[str, typer.Argument(help="Id of the call.")],
    file: Annotated[Path, typer.Argument(help="File to write.")],
) -> None:
    """Write a sealed record to a file."""
    with _installed() as (db, _, _), db.reading() as conn:
        file.write_bytes(sealed_or_raise(conn, outfit_of(conn, trip) or "", trip, call).encode())
    typer.echo(f"Written: {file}")


@app.command()
def countersign(trip: Annotated[str, typer.Argument(help="Id of the trip.")]) -> None:
    """Countersign the calls of a trip that are not countersigned yet."""
    with _installed() as (db, readiness, keys), db.writing() as work:
        outfit = outfit_of(work, trip)
        if outfit is None:
            _stop(f"There is no trip {trip}. Check its id.")
        signed = Arrivals(readiness, keys).countersign(work, outfit, trip)
    typer.echo(f"{trip}: {signed} countersigned")


@contextmanager
def _installed() -> Iterator[tuple[Database, Readiness, Keys]]:
    settings: Settings = get_settings()
    db = Database(settings.database_url, write_wait_s=settings.write_wait_s)
    clock = SystemClock()
    try:
        yield db, Readiness(Journal(clock), clock), Keys(settings.data_dir, clock)
    except Problem as problem:
        _stop(problem.detail + "".join(f" {field.remedy}" for field in problem.fields))
    finally:
        db.close()


def _only(known: list[tuple[str, str]]) -> str:
    if len(known) != 1:
        _stop(f"Say which outfit with --outfit: {', '.join(id_ for id_, _ in known) or 'there is none yet'}.")
    return known[0][0]


def _stop(reason: str) -> NoReturn:
    typer.echo(reason, err=True)
    raise typer.Exit(1)
