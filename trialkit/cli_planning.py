"""Commands before the first count: a blank trial, its layout and everything to fill in."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, TypeVar

import typer

from trialkit.cli_shared import Quiet, TrialPath, complain, existing, out_folder

if TYPE_CHECKING:
    from collections.abc import Callable

    from trialkit.planning import Planned
    from trialkit.trial import Trial

Out = Annotated[Path, typer.Option("--out", metavar="DIR", help="Folder for the files.")]


T = TypeVar("T")


def register(app: typer.Typer) -> None:
    """Add the commands to the command line."""
    app.command(
        epilog="\b\nExamples\n"
        "  trialkit start my_trial.xlsx\n"
        "  trialkit start my_trial --from last_year"
    )(start)
    app.command(
        epilog="\b\nExamples\n"
        "  trialkit plan my_trial.xlsx --out season\n"
        "  trialkit plan my_trial --out season --sites North,South --seed 7"
    )(plan)


def start(
    path: Annotated[
        Path,
        typer.Argument(metavar="FOLDER|FILE.xlsx", help="What to write: a folder or a workbook."),
    ],
    source: Annotated[
        Path | None,
        typer.Option(
            "--from", metavar="TRIAL", help="Take treatments, variables and settings from it."
        ),
    ] = None,
    quiet: Quiet = False,
) -> None:
    """Write a blank trial, every key explained, to be filled in.

    Exit status: 0 when it is written, 1 when it cannot be, 2 for wrong usage.
    """
    from trialkit.planning import start_trial

    if source is not None:
        existing(source)

    written = guarded(lambda: start_trial(path, source=source))
    if not quiet:
        for file in written:
            typer.echo(f"Written: {file}")
        typer.echo("Fill it in, then lay it out:")
        typer.echo(f"  trialkit plan {path} --out season")


def plan(
    trial: TrialPath,
    out: Out,
    sites: Annotated[
        str | None,
        typer.Option(
            "--sites", metavar="A,B,C", help="Sites of one protocol: each gets its own layout."
        ),
    ] = None,
    seed: Annotated[
        int | None, typer.Option("--seed", min=0, help="Draw from this number, to draw it again.")
    ] = None,
    blocks: Annotated[
        int | None, typer.Option("--blocks", min=2, help="Blocks, instead of the trial's own.")
    ] = None,
    again: Annotated[
        bool, typer.Option("--again", help="Draw anew, though the trial has plots.")
    ] = False,
    show_treatments: Annotated[
        bool,
        typer.Option("--show-treatments", help="Name the treatments on counting sheets."),
    ] = False,
    blind: Annotated[
        bool, typer.Option("--blind", help="Put codes on the labels instead of treatments.")
    ] = False,
    quiet: Quiet = False,
) -> None:
    """Lay a trial out and write its counting workbook, field map, paper sheets and labels.

    A trial that has plots keeps them: they are checked and taken over. Exit status: 0 when the
    files are written, 1 when the trial has problems, 2 for wrong usage.
    """
    from trialkit.planning import plan_trial, write_plan
    from trialkit.planning.writing import file_name

    existing(trial)
    out_folder(out)
    named = [part.strip() for part in (sites or "").split(",") if part.strip()]
    chosen: list[str | None] = [*named] or [None]
    given = guarded(lambda: _read(trial))
    options = {"plan.blocks": blocks}

    def lay_out(site: str | None) -> Planned:
        return plan_trial(given, site=site, seed=seed, again=again, options=options)

    def write(one: Planned, folder: Path) -> tuple[Path, ...]:
        name = file_name(trial.resolve().stem)
        return write_plan(
            one, folder, name=name, show_treatments=show_treatments, blind_labels=blind
        )

    planned = [guarded(partial(lay_out, site)) for site in chosen]
    for site, one in zip(chosen, planned, strict=True):
        folder = out if site is None else out / file_name(site)
        paths = guarded(partial(write, one, folder))
        if not quiet:
            _tell(one, site, paths)


def _read(path: Path) -> Trial:
    from trialkit.reading import read_protocol

    return read_protocol(path)


def _tell(planned: Planned, site: str | None, paths: tuple[Path, ...]) -> None:
    from trialkit.wording import paragraph, problem_lines

    if site is not None:
        typer.echo(site)
    for line in paragraph(planned.statement):
        typer.echo(line)
    for line in problem_lines(planned.notes):
        typer.echo(line)
    for path in paths:
        typer.echo(f"  {path}")


def guarded(work: Callable[[], T]) -> T:
    """Do something; bad input and files that cannot be written end the command with status 1."""
    from trialkit.problems import TrialError

    try:
        return work()
    except TrialError as fault:
        complain(fault.problems)
        typer.echo("Nothing was written.", err=True)
    except OSError as fault:
        typer.echo(str(fault) if fault.errno is None else fault.strerror, err=True)
    raise typer.Exit(1)
