"""What every command does alike: telling problems, looking paths up, asking for a folder."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, NoReturn

import typer

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from trialkit.problems import Problem

TrialPath = Annotated[
    Path, typer.Argument(metavar="TRIAL", help="Folder, workbook or flat table of the trial.")
]
Quiet = Annotated[bool, typer.Option("--quiet", "-q", help="Print nothing but problems.")]


def complain(problems: Iterable[Problem]) -> None:
    """Print problems."""
    from trialkit.wording import problem_lines

    for line in problem_lines(problems):
        typer.echo(line, err=True)


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


def progress_to(show: bool) -> Callable[[str], None]:
    """Make what tells each step in one line of the terminal, or nobody."""

    def tell(step: str) -> None:
        if show:
            typer.echo(f"\r\x1b[K{step} ...", nl=False, err=True)

    return tell


def progress_end(shown: bool) -> None:
    """Clear the progress line."""
    if shown:
        typer.echo("\r\x1b[K", nl=False, err=True)
