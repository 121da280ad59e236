"""The command that prints the first page of a report and writes nothing."""

from __future__ import annotations

import typer

from trialkit.cli_shared import TrialPath, existing, say, working


def register(app: typer.Typer) -> None:
    """Add the command to the command line."""
    app.command(epilog="\b\nExample\n  trialkit show my_trial")(show)


def show(
    trial: TrialPath,
) -> None:
    """Print the first page of the report: the answer, and every treatment at a glance.

    Writes nothing. Exit status: 0 when it is shown, 1 when the trial has problems, 2 for wrong
    usage.
    """
    existing(trial)
    from trialkit.run import front_page_lines

    with working():
        lines = front_page_lines(trial)
    say(lines)
