"""The command that combines several trials."""

from __future__ import annotations

import gc
from pathlib import Path
from typing import Annotated

import typer

from trialkit.cli_shared import (
    USUAL_FORMATS,
    Formats,
    Jobs,
    Length,
    Paper,
    Quiet,
    existing,
    out_folder,
    report_options,
    say,
    usage,
    working,
)
from trialkit.report_options import ReportOptions


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
    formats: Formats = USUAL_FORMATS,
    length: Length = "full",
    form: Annotated[
        str,
        typer.Option(
            "--form",
            metavar="report|page|table",
            help="The whole report, its first page alone, or one table.",
        ),
    ] = "report",
    paper: Paper = "a4",
    jobs: Jobs = None,
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
    report = report_options(formats, length=length, form=form, paper=paper)
    if start and out is None:
        usage("--start needs --out, the folder for series.toml")
    gc.enable()  # many trials, and a run of some length
    if start and out is not None:
        _start(trials, out, options, jobs)
    else:
        _combine(trials, out, options, report, jobs, quiet)


def _start(trials: list[Path], out: Path, options: Path | None, jobs: int | None) -> None:
    from trialkit.run_series import start_series

    with working("The file"):
        path = start_series(trials, out, options=options, jobs=jobs)
    say([f"  {path}", f"Look it through, then run trialkit combine with --options {path}."])


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
    from trialkit.wording import look_lines, path_lines

    paths: tuple[Path, ...] = ()
    with working("The files", quiet=quiet) as progress:
        series = combine_trials(trials, options=options, jobs=jobs, progress=progress)
        if out is not None:
            written = report_series(series, out, report=report, progress=progress)
            series, paths = written.series, written.paths
    if not quiet:
        say([*series_lines(series), ""])
    say(look_lines(series.problems), err=True)
    if paths and not quiet:
        say(["Written", *path_lines(paths)])
