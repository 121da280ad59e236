"""The command that combines several trials."""

from __future__ import annotations

import gc
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from trialkit.cli_shared import (
    Quiet,
    complain,
    existing,
    out_folder,
    progress_end,
    progress_to,
    usage,
)
from trialkit.report_options import FORMATS, USUAL, ReportOptions

if TYPE_CHECKING:
    from trialkit.series.result import SeriesAnalysis


def register(app: typer.Typer) -> None:
    """Add the command to the command line."""
    app.command(
        epilog="\b\n"
        "Examples\n"
        "  trialkit combine trials_2024 trials_2025 --out series\n"
        "  trialkit combine reports/*/record.json --out series --formats html,xlsx\n"
        "  trialkit combine trials --start --out series\n"
        "  trialkit combine trials --options series/series.toml --out series\n"
        "  trialkit combine all_sites.csv",
    )(combine)


def combine(
    trials: Annotated[
        list[Path],
        typer.Argument(
            metavar="TRIAL|RECORD|FOLDER...",
            help="Trials, records, folders of them, or a table with sites and years.",
        ),
    ],
    out: Annotated[
        Path | None,
        typer.Option(
            "--out", metavar="DIR", help="Folder for the files; without it page 1 is shown."
        ),
    ] = None,
    options: Annotated[
        Path | None,
        typer.Option(
            "--options",
            metavar="FILE.toml",
            help="What is matched and asked; series.toml of the folder, where it has one.",
        ),
    ] = None,
    start: Annotated[
        bool,
        typer.Option(
            "--start", help="Write series.toml to DIR with every match filled in, and stop."
        ),
    ] = False,
    formats: Annotated[
        str,
        typer.Option(
            "--formats",
            metavar="LIST",
            help=f"Any of {','.join(FORMATS)}; record.json is always written.",
        ),
    ] = ",".join(USUAL),
    length: Annotated[
        str, typer.Option("--length", metavar="short|full", help="Without or with the annex.")
    ] = "full",
    form: Annotated[
        str,
        typer.Option(
            "--form",
            metavar="report|page|table",
            help="The whole report, its first page alone, or one table.",
        ),
    ] = "report",
    paper: Annotated[
        str, typer.Option("--paper", metavar="a4|letter", help="Paper of the PDF.")
    ] = "a4",
    jobs: Annotated[
        int | None,
        typer.Option(
            "--jobs",
            min=1,
            metavar="N",
            help="Trials worked on at once; as many as there are cores, when left out.",
        ),
    ] = None,
    quiet: Quiet = False,
) -> None:
    """Combine several trials: control over sites, the next site, yields, what differs and why.

    Treatments, variables and days are matched by name; what was taken as the same stands in the
    report, and series.toml says otherwise. Writes report.html, report.docx, report.pdf,
    tables.xlsx and record.json to DIR. Exit status: 0 when done, 1 when a trial has problems
    (nothing is written then), 2 for wrong usage.
    """
    for path in trials:
        existing(path)
    if options is not None:
        existing(options)
    if out is not None:
        out_folder(out)
    wanted = [name.strip().lower() for name in formats.split(",") if name.strip()]
    try:
        report = ReportOptions(formats=wanted, length=length, form=form, paper=paper)
    except ValueError as fault:
        usage(str(fault))
    if start and out is None:
        usage("--start needs --out, the folder for series.toml")
    gc.enable()  # many trials, and a run of some length
    from trialkit.problems import TrialError

    try:
        if start and out is not None:
            _start(trials, out, options, jobs)
        else:
            _combine(trials, out, options, report, jobs, quiet)
    except TrialError as fault:
        progress_end(_shown(quiet))
        complain(fault.problems)
        typer.echo("Nothing was written.", err=True)
        raise typer.Exit(1) from None
    except FileExistsError as fault:
        typer.echo(str(fault), err=True)
        raise typer.Exit(1) from None
    except OSError as fault:
        progress_end(_shown(quiet))
        typer.echo(f"The files could not be written: {fault.strerror or fault}.", err=True)
        raise typer.Exit(1) from None


def _shown(quiet: bool) -> bool:
    return not quiet and sys.stderr.isatty()


def _start(trials: list[Path], out: Path, options: Path | None, jobs: int | None) -> None:
    from trialkit.run_series import start_series

    path = start_series(trials, out, options=options, jobs=jobs)
    typer.echo(f"  {path}")
    typer.echo(f"Look it through, then run trialkit combine with --options {path}.")


def _combine(
    trials: list[Path],
    out: Path | None,
    options: Path | None,
    report: ReportOptions,
    jobs: int | None,
    quiet: bool,
) -> None:
    from trialkit.run_series import report_series
    from trialkit.series.combine import combine as combine_trials
    from trialkit.series_summaries import series_lines
    from trialkit.wording import path_lines

    show = _shown(quiet)
    progress = progress_to(show)
    series = combine_trials(trials, options=options, jobs=jobs, progress=progress)
    paths: tuple[Path, ...] = ()
    if out is not None:
        written = report_series(series, out, report=report, progress=progress)
        series, paths = written.series, written.paths
    progress_end(show)
    if quiet:
        _tell(series)
        return
    for line in series_lines(series):
        typer.echo(line)
    typer.echo()
    _tell(series)
    if paths:
        typer.echo("Written")
        for line in path_lines(paths):
            typer.echo(line)


def _tell(series: SeriesAnalysis) -> None:
    from trialkit.wording import look_lines

    for line in look_lines(series.problems):
        typer.echo(line, err=True)
