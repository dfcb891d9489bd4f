"""Commands of the review: `rimaye seasons update` and `rimaye seasons rebuild`."""

from __future__ import annotations

from typing import Annotated

import typer

app = typer.Typer(help="The review over past trips.", no_args_is_help=True)
OutfitOption = Annotated[str | None, typer.Option("--outfit", help="Only this outfit; otherwise all.")]


@app.callback()
def _group() -> None:
    """The review over past trips."""


@app.command()
def update(outfit: OutfitOption = None) -> None:
    """Take up past trips that the review does not have yet, or that have changed since."""
    _each(outfit, anew=False)


@app.command()
def rebuild(outfit: OutfitOption = None) -> None:
    """Drop what the review keeps, and make all of it again from the journals."""
    _each(outfit, anew=True)


def _each(outfit: str | None, *, anew: bool) -> None:
    from api.journal.queries import outfits
    from api.journal.service import Journal
    from api.opening import make_clock, open_database
    from api.readiness.service import Readiness
    from api.seasons import projection
    from api.settings import get_settings

    settings = get_settings()
    clock = make_clock(settings)
    db = open_database(settings)
    bring = projection.rebuild if anew else projection.catch_up
    try:
        with db.reading() as conn:
            known = [id_ for id_, _ in outfits(conn)]
        if outfit is not None and outfit not in known:
            typer.echo(
                f"There is no outfit {outfit}. Use one of: {', '.join(known) or 'none yet'}.", err=True
            )
            raise typer.Exit(1)
        for id_ in known if outfit is None else [outfit]:
            readiness = Readiness(Journal(clock), clock)
            done = bring(db, readiness, id_, clock.now().date())
            typer.echo(f"{id_}: {done} trips taken up.")
    finally:
        db.close()
