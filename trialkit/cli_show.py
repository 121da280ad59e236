"""The command that prints the first page of a report and writes nothing."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from trialkit.cli_shared import complain, existing


def register(app: typer.Typer) -> None:
    """Add the command to the command line."""
    app.command(epilog="\b\nExample\n  trialkit show my_trial")(show)


def show(
    trial: Annotated[
        Path, typer.Argument(metavar="TRIAL", help="Folder, workbook or flat table of the trial.")
    ],
) -> None:
    """Print the first page of the report: the answer, and every treatment at a glance.

    Writes nothing. Exit status: 0 when it is shown, 1 when the trial has problems, 2 for wrong
    usage.
    """
    existing(trial)
    from trialkit.problems import TrialError
    from trialkit.run import front_page_lines

    try:
        lines = front_page_lines(trial)
    except TrialError as fault:
        complain(fault.problems)
        raise typer.Exit(1) from None
    for line in lines:
        typer.echo(line)
