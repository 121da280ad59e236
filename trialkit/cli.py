"""The command line: arguments in, calls, messages out."""

from __future__ import annotations

import codecs
import gc
import io
import os
import sys
from pathlib import Path
from typing import Annotated, NoReturn

import typer

from trialkit import cli_desk, cli_planning, cli_series, cli_show, cli_tidy
from trialkit.cli_shared import (
    USUAL_FORMATS,
    Formats,
    Jobs,
    Length,
    Paper,
    Quiet,
    TrialPath,
    existing,
    out_folder,
    report_options,
    say,
    usage,
    working,
)
from trialkit.report_options import ReportOptions

app = typer.Typer(
    name="trialkit",
    add_completion=True,
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    help="Small-plot efficacy trials: from plot counts to a report.\n\n"
    "A TRIAL is a folder (trial.toml, plots.csv, counts.csv, ...), a workbook (.xlsx) or a "
    "flat table (.csv).\n\n"
    "\b\n"
    "Examples\n"
    "  trialkit check example_trials/leaf_beetle_potato\n"
    "  trialkit report example_trials/leaf_beetle_potato --out beetle\n"
    "  trialkit rerun beetle/record.json",
)


@app.command(
    epilog="\b\nExamples\n  trialkit check my_trial\n  trialkit check my_trial.xlsx --all",
)
def check(
    trial: TrialPath,
    everything: Annotated[
        bool, typer.Option("--all", help="Print also what is obvious and what needs nothing.")
    ] = False,
) -> None:
    """Say what was understood of a trial, and every problem in it.

    Exit status: 0 when the trial can be analysed, 1 when it has problems, 2 for wrong usage.
    """
    from trialkit.reading import read
    from trialkit.wording import check_lines

    reading = read(existing(trial))
    say(check_lines(reading.trial, reading.problems, reading.understood, everything=everything))
    if reading.trial is None:
        raise typer.Exit(1)


@app.command(
    epilog="\b\n"
    "Examples\n"
    "  trialkit report my_trial --out my_report\n"
    "  trialkit report my_trial.xlsx --out my_report --formats xlsx\n"
    "  trialkit report trials/* --out reports --formats xlsx --jobs 4",
)
def report(
    trials: Annotated[
        list[Path],
        typer.Argument(metavar="TRIAL...", help="Folders, workbooks or flat tables of trials."),
    ],
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="Folder for the files.")],
    formats: Formats = USUAL_FORMATS,
    length: Length = "full",
    form: Annotated[
        str,
        typer.Option(
            "--form",
            metavar="report|page|table",
            help="The whole report, a page for growers, or one table for a short journal report.",
        ),
    ] = "report",
    template: Annotated[
        Path | None,
        typer.Option("--template", metavar="FILE.docx", help="Styles and logo of the Word file."),
    ] = None,
    paper: Paper = "a4",
    figures: Annotated[
        Path | None,
        typer.Option("--figures", metavar="DIR", help="Every figure as .svg and .png, too."),
    ] = None,
    jobs: Jobs = None,
    quiet: Quiet = False,
) -> None:
    """Analyse one or more trials and write report, tables and record of each.

    Writes report.html, report.docx, report.pdf, tables.xlsx and record.json to DIR, or for
    several trials to one folder a trial in DIR. Exit status: 0 when they are written, 1 when a
    trial has problems (nothing is written for it, the others are), 2 for wrong usage.
    """
    options = report_options(
        formats,
        length=length,
        form=form,
        template=template if template is None else existing(template),
        paper=paper,
        figures=figures,
    )
    out_folder(out)
    for trial in trials:
        existing(trial)
    if len(trials) == 1:
        _report_one(trials[0], out, options, quiet)
    else:
        _report_several(trials, out, options, jobs, quiet)


def _report_one(trial: Path, out: Path, options: ReportOptions, quiet: bool) -> None:
    from trialkit.run import report_trial
    from trialkit.wording import closing_lines, look_lines

    with working("The files", quiet=quiet) as progress:
        written = report_trial(trial, out, options=options, progress=progress)
    problems = written.analysis.problems
    if quiet:
        say(look_lines(problems), err=True)
    else:
        say(closing_lines(written.findings, problems, written.paths))


def _report_several(
    trials: list[Path], out: Path, options: ReportOptions, jobs: int | None, quiet: bool
) -> None:
    gc.enable()
    from trialkit.many import report_trials
    from trialkit.wording import failure_lines, outcome_lines, total_line

    with working(quiet=quiet) as progress:
        outcomes = report_trials(trials, out, options=options, jobs=jobs, progress=progress)
    for item in outcomes:
        if not item.written:
            say(failure_lines(item), err=True)
        elif not quiet:
            say(outcome_lines(item))
    from trialkit.overview import write_overview

    pages = write_overview(outcomes, out)
    if not quiet:
        say([f"All at a glance: {pages[0]}", total_line(outcomes)])
    if not all(item.written for item in outcomes):
        raise typer.Exit(1)


@app.command(epilog="\b\nExample\n  trialkit rerun my_report/record.json")
def rerun(
    record: Annotated[
        Path, typer.Argument(metavar="RECORD.json", help="The record.json of a report.")
    ],
    quiet: Quiet = False,
    second: Annotated[
        bool,
        typer.Option("--second-route", help="Fit the trial through statsmodels and scipy, too."),
    ] = False,
) -> None:
    """Run a recorded analysis again, from the record alone, and compare every number.

    Exit status: 0 when every number is the same, 1 when some differ or the record cannot be
    used, 2 for wrong usage.
    """
    existing(record)
    from trialkit.record import read_record
    from trialkit.record import rerun as run_again
    from trialkit.wording import agreement_lines

    with working():
        kept = read_record(record)
        agreement = run_again(kept)
        same = agreement.same
        if second:
            from trialkit.desk.second_route import second_route, second_route_lines

            other = second_route(kept)
            same = same and other.same
    if not quiet or not agreement.same:
        say(agreement_lines(agreement, kept))
    if second and (not quiet or not other.same):
        say(second_route_lines(other))
    if not same:
        raise typer.Exit(1)


@app.command(
    epilog="\b\n"
    "Examples\n"
    "  trialkit explain\n"
    "  trialkit explain means\n"
    "  trialkit explain control.percent\n"
    "  trialkit explain comparison",
)
def explain(
    name: Annotated[
        str | None,
        typer.Argument(
            metavar="[TABLE|COLUMN|SETTING]", help="What to explain; all there is, when left out."
        ),
    ] = None,
) -> None:
    """Say what a table or column of the results, or a setting, means.

    Exit status: 0 when it is known, 2 when nothing has that name.
    """
    from trialkit.explaining import explain as explained

    try:
        typer.echo(explained(name))
    except KeyError as fault:
        usage(fault.args[0])


cli_series.register(app)
cli_planning.register(app)
cli_show.register(app)
cli_tidy.register(app)
cli_desk.register(app)


def _version(wanted: bool) -> None:
    if wanted:
        from importlib import metadata

        typer.echo(f"trialkit {metadata.version('trialkit')}")
        raise typer.Exit


@app.callback()
def _main(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Show the version.")
    ] = False,
) -> None:
    del version


def main() -> None:
    """Run the command line."""
    # One report takes little memory and ends: looking for circles of objects only costs time.
    gc.disable()
    # The matrices of a trial are small: threads of the linear algebra cost more than they gain.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    # Output sent to a file may have an encoding that lacks the minus sign.
    codecs.register_error("plainer", _plainer)
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="plainer")
    try:
        app()
    except OSError as fault:  # what is printed goes to a file, and the disk may be full
        _give_up(fault)
    except SystemExit:
        try:
            sys.stdout.flush()
        except OSError as fault:
            _give_up(fault)
        raise


def _give_up(fault: OSError) -> NoReturn:
    """End where the output itself cannot be written."""
    print(f"trialkit: the output could not be written: {fault.strerror or fault}", file=sys.stderr)
    # Or Python would try to write the rest once more when it ends.
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    raise SystemExit(1)


def _plainer(fault: UnicodeError) -> tuple[str, int]:
    if not isinstance(fault, UnicodeEncodeError):
        raise fault
    plain = {"\N{MINUS SIGN}": "-", "\N{NO-BREAK SPACE}": " ", "\N{NARROW NO-BREAK SPACE}": " "}
    lacking = fault.object[fault.start : fault.end]
    return "".join(plain.get(mark, "?") for mark in lacking), fault.end
