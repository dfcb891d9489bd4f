"""`rimaye journal`: verify, export, import, rebuild."""

import sys
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import Annotated

import typer

from api.clock import SystemClock
from api.db import Database
from api.errors import Problem
from api.journal import queries, store, sync
from api.journal.store import Reaction
from api.settings import get_settings

app = typer.Typer(
    help="The journals of trips: verify, exchange as files, rebuild what is derived.", no_args_is_help=True
)


class Following:
    """What other rooms do when an entry comes in a file. The composition root says it."""

    def __init__(self) -> None:
        self.reactions: Callable[[], Mapping[str, Reaction]] = dict


following = Following()

TripOption = Annotated[str | None, typer.Argument(help="Id of a trip; without it, all trips.")]


@app.command()
def verify(trip: TripOption = None) -> None:
    """Walk the hash chain and name the first entry that is not as it was stored."""
    broken = 0
    with _database() as db, db.reading() as conn:
        for trip_id in _chosen(queries.trip_ids(conn), trip):
            report = store.verify_trip(conn, trip_id)
            if report.whole:
                typer.echo(f"{trip_id}: whole, {report.entries} entries, head {report.head_hash[:12]}…")
            else:
                broken += 1
                typer.echo(f"{trip_id}: broken at entry {report.broken_seq}: {report.problem}", err=True)
    if broken:
        raise typer.Exit(1)


@app.command()
def export(
    trip: Annotated[str, typer.Argument(help="Id of the trip.")],
    file: Annotated[Path | None, typer.Argument(help="File to write; without it, standard output.")] = None,
) -> None:
    """Write a trip's journal as a file that another laptop can import."""
    with _database() as db, db.reading() as conn:
        lines = (f"{line}\n" for line in sync.export_journal(conn, trip))
        if file is None:
            sys.stdout.writelines(lines)
            return
        # A file that is cut short must never stand under the name that was asked for.
        unfinished = file.with_name(f"{file.name}.part")
        with unfinished.open("w", encoding="utf-8") as out:
            out.writelines(lines)
        unfinished.replace(file)
    typer.echo(f"Written: {file}")


@app.command("import")
def import_(
    file: Annotated[Path, typer.Argument(exists=True, dir_okay=False, help="A file that export wrote.")],
    by: Annotated[str, typer.Option(help="Who imports it, for the log.")] = "command line",
    create: Annotated[
        bool, typer.Option("--create", help="Open the trip's journal when it is new here.")
    ] = False,
) -> None:
    """Append the entries of a journal file to the same trip here. Doing it twice changes nothing."""
    with _database() as db, file.open(encoding="utf-8") as lines, db.writing() as work:
        report = sync.import_journal(
            work, lines, _now(), by=by, create=create, reactions=following.reactions()
        )
    refused = [outcome for outcome in report.outcomes if outcome.status == "refused"]
    typer.echo(
        f"{report.header.trip}: {report.count('stored')} stored, {report.count('already-there')} known"
        f", {len(refused) + len(report.unreadable)} refused"
    )
    for outcome in refused:
        typer.echo(f"  refused {outcome.id}: {outcome.problem}", err=True)
    for line in report.unreadable:
        typer.echo(f"  refused entry {line.seq} of the file: {line.problem}", err=True)
    if refused or report.unreadable:
        raise typer.Exit(1)


@app.command()
def rebuild(trip: TripOption = None) -> None:
    """Make the lists of trips and of their members again, from the journals alone."""
    with _database() as db:
        with db.reading() as conn:
            chosen = _chosen(queries.trip_ids(conn), trip)
        for trip_id in chosen:
            with db.writing() as work:
                store.rebuild(work, trip_id)
            typer.echo(f"{trip_id}: rebuilt")


@contextmanager
def _database() -> Iterator[Database]:
    settings = get_settings()
    db = Database(settings.database_url, write_wait_s=settings.write_wait_s)
    try:
        yield db
    except Problem as problem:
        typer.echo(problem.detail, err=True)
        for field in problem.fields:
            typer.echo(f"  {field.field}: {field.message}. {field.remedy}", err=True)
        raise typer.Exit(1) from problem
    finally:
        db.close()


def _chosen(all_trips: list[str], trip: str | None) -> list[str]:
    if trip is None:
        return all_trips
    if trip not in all_trips:
        typer.echo(f"There is no trip {trip}. There are: {', '.join(all_trips) or 'none yet'}.", err=True)
        raise typer.Exit(1)
    return [trip]


def _now() -> datetime:
    return SystemClock().now()
