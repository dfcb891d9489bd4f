"""`rimaye reminders`: write to those with something open on their list."""

from __future__ import annotations

import typer

app = typer.Typer(help="Reminders of people's own lists.", no_args_is_help=True)


@app.callback()
def _group() -> None:
    """Reminders of people's own lists."""


@app.command("send-due")
def send_due() -> None:
    """Remind everyone with something open on the days of RIMAYE_REMIND_DAYS_BEFORE. Run it every day."""
    from api.errors import Problem
    from api.journal.service import Journal
    from api.opening import make_clock, open_database
    from api.readiness.service import Readiness
    from api.settings import get_settings
    from web.reminders import remind_due

    settings = get_settings()
    clock = make_clock(settings)
    db = open_database(settings)
    told = 0
    try:
        for line in remind_due(db, settings, Readiness(Journal(clock), clock)):
            typer.echo(line)
            told += 1
    except Problem as problem:
        typer.echo(str(problem), err=True)
        raise typer.Exit(1) from problem
    finally:
        db.close()
    if not told:
        typer.echo("Nobody is due.")
