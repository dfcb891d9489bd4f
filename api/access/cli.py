"""`rimaye setup` and `rimaye staff`: the first account, and help for those who cannot get in."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Annotated, NoReturn

import typer

from api.access import queries, service, typed
from api.access.tokens import HERE
from api.clock import SystemClock
from api.db import Database, Work
from api.errors import Problem
from api.settings import get_settings

app = typer.Typer(help="Accounts: list them, make a new link for someone.", no_args_is_help=True)


FOR_NEW_OUTFITS: list[Callable[[Work, str], None]] = []
"""What rooms above this one do for an outfit when it is set up; filled by the command that knows them."""


def has_accounts(db: Database) -> bool:
    """Whether there is any account; the tables must be current."""
    with db.reading() as conn:
        return queries.anybody(conn)


def setup(
    email: Annotated[
        str, typer.Option(prompt="E-mail address of the administrator", help="What they sign in with.")
    ],
    name: Annotated[str, typer.Option(prompt="Their name", help="Their name, as journals show it.")],
    outfit_name: Annotated[str, typer.Option(prompt="Name of the outfit", help="Who runs the trips.")],
    outfit: Annotated[str, typer.Option(help="Id of the outfit; made from its name when left out.")] = "",
) -> None:
    """Make the outfit and its first administrator, and show the link that lets them in once."""
    with _database() as db, db.writing() as work:
        made = service.set_up(
            work,
            outfit=outfit or typed.slug_of(outfit_name),
            outfit_name=outfit_name,
            name=name,
            email=email,
            now=SystemClock().now(),
        )
        for do in FOR_NEW_OUTFITS:
            do(work, outfit or typed.slug_of(outfit_name))
    _show(made)


@app.command("list")
def list_staff() -> None:
    """Everyone who has, or had, an account."""
    with _database() as db, db.reading() as conn:
        for outfit, people in queries.staff_by_outfit(conn).items():
            typer.echo(outfit)
            for person in people:
                state = "" if person.active else ", kept out"
                typer.echo(f"  {person.id}: {person.name}, {person.role}, {person.email}{state}")


@app.command()
def link(email: Annotated[str, typer.Argument(help="Address of the account.")]) -> None:
    """Show a new one-time link for someone who lost their password. Earlier links become worthless."""
    with _database() as db, db.writing() as work:
        person = queries.staff_by_email(work, typed.checked_email(email))
        if person is None:
            _stop(f"There is no account {email}. See: rimaye staff list")
        made = service.new_link(work, person, SystemClock().now(), by=None, visitor=HERE)
    _show(made)


def _show(made: service.MadeLink) -> None:
    settings = get_settings()
    base = settings.base_url.rstrip("/") or f"http://{settings.host}:{settings.port}"
    typer.echo(f"Open this once, before {made.expires_at:%Y-%m-%d %H:%M} UTC, to choose a password:\n")
    typer.echo(f"  {base}/join/{made.token}\n")


@contextmanager
def _database() -> Iterator[Database]:
    from api import upgrade

    settings = get_settings()
    db = Database(settings.database_url)
    try:
        if not upgrade.state_of(db).current:
            _stop("The tables are not current. Run: rimaye migrate")
        yield db
    except Problem as problem:
        _stop(problem.detail + "".join(f" {field.remedy}" for field in problem.fields))
    finally:
        db.close()


def _stop(reason: str) -> NoReturn:
    typer.echo(reason, err=True)
    raise typer.Exit(1)
