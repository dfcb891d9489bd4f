"""`rimaye kitlist`: check, show and compare kit list editions in files."""

from pathlib import Path
from typing import Annotated

import typer

from api.kitlist.difference import difference, in_words
from api.kitlist.loading import NotAnEdition, read_file, schema_text, shipped
from api.kitlist.schemas import Edition, Requirement, Zone
from api.kitlist.wording import condition_words, grades_words, how_many_words, question_words, threshold_words

app = typer.Typer(help="Kit list editions: check, show, compare.", no_args_is_help=True)

AFile = Annotated[Path, typer.Argument(help="A YAML file, or the name of an edition that comes along.")]


@app.command()
def check(files: Annotated[list[Path], typer.Argument(help="YAML files to check.")]) -> None:
    """Check editions; every fault is shown with its line and what to do."""
    bad = 0
    for file in files:
        try:
            edition = read_file(_named(file))
        except NotAnEdition as error:
            bad += 1
            for fault in error.faults:
                typer.echo(fault.shown(str(file)))
        except OSError as error:
            bad += 1
            typer.echo(f"{file}: cannot be read: {error.strerror} - Check the name.")
        else:
            typer.echo(f"{file}: fit for use, {len(edition.requirements)} requirements")
    raise typer.Exit(1 if bad else 0)


@app.command()
def schema() -> None:
    """Print the JSON Schema of editions."""
    typer.echo(schema_text(), nl=False)


@app.command()
def show(file: AFile, zone: Annotated[Zone | None, typer.Option(help="Show this zone only.")] = None) -> None:
    """Print an edition in words."""
    edition = _read(file)
    typer.echo(f"{edition.title}, edition {edition.number}, {edition.dated.isoformat()}")
    if zone is None and edition.lines:
        typer.echo("\nLines")
        for line in edition.lines:
            typer.echo(f"  {line.title}: {threshold_words(line.value)} ({line.id})")
    for one in Zone:
        listed = [r for r in edition.requirements if r.zone is one]
        if listed and zone in (None, one):
            typer.echo(f"\n{one.value}")
            for requirement in listed:
                _show(requirement)


@app.command()
def diff(old: AFile, new: AFile) -> None:
    """Print what differs between two editions; ends with 1 when something does."""
    lines = in_words(difference(_read(old), _read(new)))
    typer.echo("\n".join(lines) if lines else "No difference.")
    raise typer.Exit(1 if lines else 0)


def _show(requirement: Requirement) -> None:
    optional = ", optional" if requirement.optional else ""
    many = how_many_words(requirement.how_many, held=requirement.holds_amount)
    typer.echo(f"  {requirement.item} ({requirement.id}): {many}{optional}")
    typer.echo(f"    asked {condition_words(requirement.when)}; {grades_words(requirement.grades)}")
    for question in requirement.questions:
        words = question_words(question)
        typer.echo(f"    ? {words['ask']} {words['limits']}")


def _named(file: Path) -> Path:
    """The file, or the edition that comes along under this name."""
    return file if file.exists() else shipped().get(str(file), file)


def _read(file: Path) -> Edition:
    try:
        return read_file(_named(file))
    except NotAnEdition as error:
        for fault in error.faults:
            typer.echo(fault.shown(str(file)), err=True)
    except OSError as error:
        typer.echo(f"{file}: cannot be read: {error.strerror} - Check the name.", err=True)
    raise typer.Exit(2)
