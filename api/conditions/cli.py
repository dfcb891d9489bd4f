"""`rimaye forecast`: forecasts on the command line."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path
from typing import Annotated

import typer

app = typer.Typer(help="Forecasts: turn files into forms that can be read in.", no_args_is_help=True)


@app.callback()
def forecast() -> None:
    """Forecasts: turn files into forms that can be read in."""


@app.command()
def grib(
    file: Annotated[Path, typer.Argument(help="A GRIB2 file of one run.")],
    lat: Annotated[float, typer.Option(min=-90, max=90, help="Latitude of the place, degrees.")],
    lon: Annotated[float, typer.Option(min=-180, max=180, help="Longitude of the place, degrees.")],
) -> None:
    """Write a GRIB2 file, at the grid point nearest to a place, as CoverageJSON to standard output."""
    command = [sys.executable, "-m", "api.conditions.sources.grib", str(file), str(lat), str(lon)]
    # A process of its own: the library and others of its kind bring each other down.
    ran = subprocess.run(command, check=False, capture_output=True)
    if ran.returncode != 0:
        told = ran.stderr.decode(errors="replace").strip().splitlines()
        typer.echo(told[-1] if told else "The file could not be read.", err=True)
        raise typer.Exit(1)
    typer.echo(ran.stdout.decode(), nl=False)
