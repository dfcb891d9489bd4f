"""Commands for the demo: `rimaye demo seed` and `rimaye demo history`."""

import typer

app = typer.Typer(help="The invented demo trip.", no_args_is_help=True)


@app.callback()
def _group() -> None:
    """The invented demo trip."""


@app.command()
def seed() -> None:
    """Put the demo's outfit, its trip and its locker into the database, at the first moment of its story."""
    from api.opening import open_database
    from api.settings import get_settings
    from seeds import demo, loading, locker, permit

    db = open_database(get_settings())
    try:
        added = loading.seed(db)
        with db.writing() as work:
            outfit = demo.scenario().data["outfit"]["id"]
            locker.load_once(work, outfit)
            permit.load_once(work, outfit)
    finally:
        db.close()
    typer.echo("The demo trip is in place." if added else "The demo trip was in place already.")


@app.command()
def history() -> None:
    """Add two invented seasons of past trips, for the review to find patterns in."""
    from api.clock import FixedClock
    from api.opening import open_database
    from api.settings import get_settings
    from seeds import history_loading, loading

    settings = get_settings()
    db = open_database(settings)
    try:
        loading.seed(db)
        typer.echo("Writing the journals of 200 invented trips; this takes a minute or two.")
        reached = loading.reached_in(db)
        # The demo's own trip is not past yet, whatever the day is outside.
        assert reached is not None
        added = history_loading.load(db, FixedClock(loading.begins_at(reached)), report=_so_far)
    finally:
        db.close()
    typer.echo(
        f"{added} trips added. Open /seasons as office." if added else "The history was in place already."
    )


def _so_far(done: int) -> None:
    typer.echo(f"  {done} trips written")
