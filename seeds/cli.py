"""Commands for the demo: `rimaye demo seed`."""

import typer

app = typer.Typer(help="The invented demo trip.", no_args_is_help=True)


@app.callback()
def _group() -> None:
    """The invented demo trip."""


@app.command()
def seed() -> None:
    """Put the demo's outfit and trip into the database, at the first moment of its story."""
    from api.main import open_database
    from api.settings import get_settings
    from seeds import loading

    db = open_database(get_settings())
    try:
        added = loading.seed(db)
    finally:
        db.close()
    typer.echo("The demo trip is in place." if added else "The demo trip was in place already.")
