"""The `rimaye` command. Each room adds a group of its own."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated

import typer

from api.access import cli as access_cli
from api.call import cli as call_cli
from api.conditions import cli as conditions_cli
from api.journal import cli as journal_cli
from api.journal.store import Reaction
from api.keeping import cli as keeping_cli
from api.kitlist import cli as kitlist_cli
from api.nights import cli as nights_cli
from api.photos import cli as photos_cli
from api.seasons import cli as seasons_cli
from api.settings import Settings, get_settings, settings_table
from seeds import cli as demo_cli
from web import reminders_cli

app = typer.Typer(
    name="rimaye",
    help="Readiness of rope teams on guided multi-day glacier climbs.",
    no_args_is_help=True,
    pretty_exceptions_show_locals=False,
)

ROOMS: tuple[tuple[str, typer.Typer], ...] = (
    ("staff", access_cli.app),
    ("journal", journal_cli.app),
    ("call", call_cli.app),
    ("kitlist", kitlist_cli.app),
    ("forecast", conditions_cli.app),
    ("health", nights_cli.app),
    ("photos", photos_cli.app),
    ("reminders", reminders_cli.app),
    ("seasons", seasons_cli.app),
    ("demo", demo_cli.app),
)
"""Every room's commands: its name on the command line, and its group."""


def _followed() -> Mapping[str, Reaction]:
    from api.locker import returns  # only when a journal file is read in

    return returns.following()


journal_cli.following.reactions = _followed

for _name, _room in ROOMS:
    app.add_typer(_room, name=_name)

app.command()(access_cli.setup)
access_cli.FOR_NEW_OUTFITS.append(call_cli.for_new_outfit)
app.command()(keeping_cli.backup)
app.command()(keeping_cli.restore)
app.command()(keeping_cli.move)


@app.command()
def serve(
    host: Annotated[str | None, typer.Option(help="Address to listen on; RIMAYE_HOST.")] = None,
    port: Annotated[
        int | None, typer.Option(help="Port to listen on, 0 for any free one; RIMAYE_PORT.")
    ] = None,
    demo: Annotated[bool | None, typer.Option("--demo", help="Demo mode; RIMAYE_DEMO.")] = None,
) -> None:
    """Serve the board on this machine."""
    from api import server, upgrade
    from api.access.cli import has_accounts
    from api.logging import configure_logging
    from api.main import create_app
    from api.opening import open_database
    from api.tracing import TracingMissing

    given = {"host": host, "port": port, "demo": demo}
    settings = get_settings().model_copy(
        update={name: value for name, value in given.items() if value is not None}
    )
    configure_logging(settings)
    db = open_database(settings)
    try:
        current = upgrade.state_of(db).current
        accounts = current and has_accounts(db)
    finally:
        db.close()
    if not current:
        _stop("The tables are not current. Run: rimaye migrate")
    try:
        running = server.make_server(
            create_app(settings),
            settings,
            lambda address: _announce(address, settings, accounts=accounts),
            accounts=accounts,
        )
    except (server.NotLoopback, TracingMissing) as error:
        _stop(str(error))
    server.settle_memory()
    running.run()


@app.command()
def migrate() -> None:
    """Bring the database's tables up to date; a SQLite file is copied first."""
    from api import upgrade
    from api.logging import configure_logging
    from api.opening import make_clock, open_database

    settings = get_settings()
    configure_logging(settings)
    db = open_database(settings)
    try:
        done = upgrade.migrate(db, data_dir=settings.data_dir, clock=make_clock(settings))
    finally:
        db.close()
    if done.before == done.after:
        typer.echo("The tables are current.")
        return
    if done.copy is not None:
        typer.echo(f"A copy of the database as it was: {done.copy}")
    typer.echo(f"Tables brought up to date: {', '.join(sorted(done.after.head))}")


@app.command()
def settings(
    markdown: Annotated[
        bool, typer.Option("--markdown", help="The documentation table, with defaults.")
    ] = False,
) -> None:
    """Show every setting and the value it has now."""
    if markdown:
        typer.echo(settings_table(), nl=False)
        return
    from sqlalchemy import make_url

    values = get_settings().model_dump()
    values["database_url"] = make_url(values["database_url"]).render_as_string(hide_password=True)
    for name, value in values.items():
        typer.echo(f"RIMAYE_{name.upper()}={value}")


def _announce(address: str, settings: Settings, *, accounts: bool = False) -> None:
    typer.echo(f"\n  Rimaye is at {settings.base_url or address}")
    if not accounts:
        typer.echo("  It listens on this machine only: there are no accounts yet.")
    if not accounts and not settings.demo:
        typer.echo("  Make the first one in another window with: rimaye setup")
    if settings.demo:
        typer.echo("  Demo mode: an invented trip, and a clock that can be moved. Nothing in it is real.")
        typer.echo("  Try first: choose lead guide, read why each finding is open, then move the clock on.")
    typer.echo("  Stop it with Ctrl-C.\n")


def _stop(reason: str) -> None:
    typer.echo(reason, err=True)
    raise typer.Exit(1)


if __name__ == "__main__":
    app()
