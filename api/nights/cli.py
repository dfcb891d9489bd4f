"""`rimaye health`: rotate the master key, erase what is due, say who read what."""

from collections.abc import Iterator
from contextlib import contextmanager

import typer

from api.clock import SystemClock
from api.db import Database
from api.errors import Problem
from api.journal.service import Journal
from api.nights import erasing
from api.nights.keys import CannotOpen
from api.nights.service import Health
from api.settings import get_settings

app = typer.Typer(help="Health notes: keys and erasure.", no_args_is_help=True)


@app.callback()
def _group() -> None:
    """Health notes: keys and erasure."""


@app.command("rotate-key")
def rotate_key() -> None:
    """Go over to a new master key. Copies of the database made before cannot be read after it.

    With the key in a file, a new one is made. With RIMAYE_HEALTH_KEY, put the new key first, a comma, and the
    old one; run this; then take the old one off. May be run again when it was interrupted.
    """
    with _health() as (db, health):
        health.keys.begin_rotation()
        with db.writing() as work:
            count = health.keys.rewrap_all(work)
        health.keys.end_rotation()
    typer.echo(f"{count} people's keys are under the new master key.")
    if get_settings().health_key.get_secret_value():
        typer.echo("Take every key but the first out of RIMAYE_HEALTH_KEY now.")


@app.command("erase-due")
def erase_due() -> None:
    """Erase health notes of trips that ended longer than RIMAYE_HEALTH_KEEP_DAYS ago. Run it every day."""
    with _health() as (db, health), db.writing() as work:
        count = erasing.erase_due(work, health)
    typer.echo(f"Health notes erased: {count} people's." if count else "Nothing is due.")


@contextmanager
def _health() -> Iterator[tuple[Database, Health]]:
    settings = get_settings()
    db = Database(settings.database_url, write_wait_s=settings.write_wait_s)
    clock = SystemClock()
    try:
        yield db, Health(settings, clock, Journal(clock))
    except (Problem, CannotOpen) as problem:
        typer.echo(str(problem), err=True)
        raise typer.Exit(1) from problem
    finally:
        db.close()
