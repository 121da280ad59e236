"""The command that writes a trial in the toolkit's own form."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from trialkit.cli_shared import TrialPath, existing, say, usage, working


def register(app: typer.Typer) -> None:
    """Add the command to the command line."""
    app.command(
        epilog="\b\n"
        "Examples\n"
        "  trialkit tidy counts_2025.xlsx --out my_trial\n"
        "  trialkit tidy counts_2025.csv --out my_trial.xlsx",
    )(tidy)


def tidy(
    trial: TrialPath,
    out: Annotated[
        Path,
        typer.Option("--out", metavar="FOLDER|FILE.xlsx", help="Where the tidy trial goes."),
    ],
) -> None:
    """Write what was understood of a file as a clean trial, in the toolkit's own form.

    Beside the tables stands a list (understood.csv, or the sheet Understood) of what each
    heading was taken for; it is not read again. The file itself is left as it is. Exit status:
    0 when it is written, 1 when the trial has problems (nothing is written), 2 for wrong usage.
    """
    existing(trial)
    if out.exists() and (
        out.resolve() == trial.resolve() or out.resolve() in trial.resolve().parents
    ):
        usage(f"{out} holds the trial itself; give --out another place")
    if out.suffix.casefold() != ".xlsx" and (out.suffix or out.is_file()) and not out.is_dir():
        usage(f"{out} can be no folder; give --out a folder, or a file that ends in .xlsx")
    from trialkit.reading import read_trial, save_trial
    from trialkit.wording import tidy_lines

    with working("The trial"):
        found = read_trial(trial)
        try:
            paths = save_trial(found, out, understood=True)
        except ValueError as fault:
            raise OSError(f"The trial could not be written: {fault}") from fault
    say(tidy_lines(found, paths))
