"""`rimaye photos`: erase those that are kept long enough."""

from datetime import timedelta

import typer

app = typer.Typer(help="Photos of gear.", no_args_is_help=True)


@app.callback()
def _group() -> None:
    """Photos of gear."""


@app.command("erase-due")
def erase_due() -> None:
    """Erase photos of trips that ended longer than RIMAYE_PHOTO_KEEP_DAYS ago. Run it every day."""
    from api.opening import make_clock, open_database
    from api.photos import queries
    from api.settings import get_settings

    settings = get_settings()
    db = open_database(settings)
    try:
        ended_before = make_clock(settings).now().date() - timedelta(days=settings.photo_keep_days)
        with db.writing() as work:
            erased = queries.erase_due(work, ended_before)
    finally:
        db.close()
    typer.echo(f"Photos erased: {erased}." if erased else "Nothing is due.")
