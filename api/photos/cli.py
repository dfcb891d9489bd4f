"""`rimaye photos`: erase those that are kept long enough."""

import typer

app = typer.Typer(help="Photos of gear.", no_args_is_help=True)


@app.callback()
def _group() -> None:
    """Photos of gear."""


@app.command("erase-due")
def erase_due() -> None:
    """Erase photos of trips that ended longer than RIMAYE_PHOTO_KEEP_DAYS ago, as a service does hourly."""
    from api.opening import make_clock, open_database
    from api.photos import erasing
    from api.settings import get_settings

    settings = get_settings()
    db = open_database(settings)
    try:
        erased = erasing.erase_due(db, make_clock(settings), settings.photo_keep_days)
    finally:
        db.close()
    typer.echo(f"Photos erased: {erased}." if erased else "Nothing is due.")
