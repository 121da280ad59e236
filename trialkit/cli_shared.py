"""What every command does alike: telling problems, looking paths up, asking for a folder."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated, Any, NoReturn

import typer

from trialkit.report_options import FORMATS, USUAL, ReportOptions

TrialPath = Annotated[
    Path, typer.Argument(metavar="TRIAL", help="Folder, workbook or flat table of the trial.")
]
Quiet = Annotated[bool, typer.Option("--quiet", "-q", help="Print nothing but problems.")]
Formats = Annotated[
    str,
    typer.Option(
        "--formats",
        metavar="LIST",
        help=f"Any of {','.join(FORMATS)}; record.json is always written.",
    ),
]
USUAL_FORMATS = ",".join(USUAL)
Length = Annotated[
    str, typer.Option("--length", metavar="short|full", help="Without or with the annex.")
]
Paper = Annotated[str, typer.Option("--paper", metavar="a4|letter", help="Paper of the PDF.")]
Jobs = Annotated[
    int | None,
    typer.Option(
        "--jobs",
        min=1,
        metavar="N",
        help="Trials worked on at once; as many as there are cores, when left out.",
    ),
]


def report_options(formats: str, **further: Any) -> ReportOptions:
    """Make the options of a report from what the command line says; wrong ones end the command."""
    wanted = [name.strip().lower() for name in formats.split(",") if name.strip()]
    try:
        return ReportOptions(formats=wanted, **further)
    except ValueError as fault:
        usage(str(fault))


def say(lines: Iterable[str], *, err: bool = False) -> None:
    """Print lines."""
    for line in lines:
        typer.echo(line, err=err)


@contextmanager
def working(unwritten: str = "", *, quiet: bool = True) -> Iterator[Callable[[str], None]]:
    """Tell the steps of some work; what it refuses is printed, and ends the command with status 1.

    Parameters
    ----------
    unwritten : str
        What is not written where it is refused, such as "The files"; empty where nothing is.
    quiet : bool
        Whether nobody is told the steps; without a terminal nobody is, either.

    Yields
    ------
    callable
        Tells a step in one line of the terminal, which is cleared at the end.
    """
    from trialkit.problems import TrialError
    from trialkit.wording import problem_lines

    show = not quiet and sys.stderr.isatty()

    def tell(step: str) -> None:
        if show:
            typer.echo(f"\r\x1b[K{step} ...", nl=False, err=True)

    try:
        try:
            yield tell
        finally:
            if show:
                typer.echo("\r\x1b[K", nl=False, err=True)
    except TrialError as fault:
        say(problem_lines(fault.problems), err=True)
        if unwritten:
            typer.echo("Nothing was written.", err=True)
        raise typer.Exit(1) from None
    except OSError as fault:
        if not unwritten:
            raise
        said = f"{unwritten} could not be written: {fault.strerror}."
        typer.echo(said if fault.strerror else str(fault), err=True)
        raise typer.Exit(1) from None


def usage(message: str) -> NoReturn:
    """End the command for wrong usage."""
    typer.echo(f"trialkit: {message}", err=True)
    raise typer.Exit(2)


def existing(path: Path) -> Path:
    """Look up a path that has to be there."""
    try:
        found = path.exists()
    except OSError as fault:  # a name longer than the system takes
        usage(f"{path} cannot be looked for: {fault.strerror}")
    if not found:
        usage(f"there is no file or folder {path}")
    return path


def out_folder(path: Path) -> Path:
    """Check that a path can be the folder of the files."""
    try:
        taken = path.exists() and not path.is_dir()
    except OSError as fault:
        usage(f"{path} cannot be a folder: {fault.strerror}")
    if taken:
        usage(f"{path} is a file; --out needs a folder")
    return path
