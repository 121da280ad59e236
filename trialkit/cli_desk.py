"""Commands of the reviewer's desk."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Annotated, Literal, TypeVar

import typer

from trialkit.cli_shared import existing, out_folder, say, working
from trialkit.printed_layout import LAYOUT

Page = Annotated[
    Path | None, typer.Option("--page", metavar="FILE.html", help="Write it as a page, too.")
]
T = TypeVar("T")


def register(app: typer.Typer) -> None:
    """Add the commands to the command line."""
    app.command(
        epilog="\b\nExamples\n  trialkit compare old/record.json new/record.json\n"
        "  trialkit compare report/record.json my_trial",
    )(compare)
    app.command(
        epilog="\b\nLayout of the table\n" + "\n".join(f"  {line}" for line in LAYOUT),
    )(audit)
    app.command(epilog="\b\nExample\n  trialkit sensitivity my_trial")(sensitivity)
    app.command(
        epilog="\b\nExample\n  trialkit export report/record.json --script r --out script",
    )(export)


def compare(
    first: Annotated[Path, typer.Argument(metavar="A", help="A record, a report or a trial.")],
    second: Annotated[Path, typer.Argument(metavar="B", help="A record, a report or a trial.")],
    page: Page = None,
) -> None:
    """Say what differs between two analyses: data, settings, versions, conclusions, warnings.

    A trial is analysed now, so a record against a trial asks whether these are the data behind
    it. Exit status: 0 where all agrees, 1 where something differs, be it only a version, or
    cannot be read, 2 for wrong usage.
    """
    existing(first)
    existing(second)
    from trialkit.desk import compare as compare_two
    from trialkit.desk.comparison_text import comparison_lines, comparison_page

    with working():
        found = compare_two(first, second)
    _tell(found, comparison_lines, comparison_page, page)
    if not found.same:
        raise typer.Exit(1)


def audit(
    table: Annotated[Path, typer.Argument(metavar="TABLE", help="A .csv or .xlsx; layout below.")],
    page: Page = None,
) -> None:
    """Ask whether the numbers of a printed table of means can belong together.

    Each check shows its arithmetic; an inconsistency is a question to the author. Exit status:
    0 where none was found, 1 where one was or the table cannot be read, 2 for wrong usage.
    """
    existing(table)
    from trialkit.desk.audit import Verdict, audit_table
    from trialkit.desk.audit.text import audit_lines, audit_page

    with working():
        found = audit_table(table)
    _tell(found, audit_lines, audit_page, page)
    if found.of(Verdict.INCONSISTENT):
        raise typer.Exit(1)


def sensitivity(
    trial: Annotated[
        Path, typer.Argument(metavar="TRIAL|RECORD", help="A trial, or the record of a report.")
    ],
    page: Page = None,
) -> None:
    """Say which conclusions stand on other paths of analysis, the fragile ones first.

    Other transforms and comparisons, the count model, the randomisation test, another formula of
    control, each block and each plot that stands apart left out. What a record holds is not
    computed again. Exit status: 0 when done, 1 when it cannot be analysed, 2 for wrong usage.
    """
    existing(trial)
    from trialkit.desk.sensitivity import sensitivity as find
    from trialkit.desk.sensitivity_text import sensitivity_lines, sensitivity_page

    with working():
        found = find(trial)
    _tell(found, sensitivity_lines, sensitivity_page, page)


def export(
    record: Annotated[
        Path, typer.Argument(metavar="RECORD.json", help="The record.json of a report.")
    ],
    script: Annotated[
        Literal["python", "r"], typer.Option(help="statsmodels and scipy, or base R.")
    ],
    out: Annotated[Path, typer.Option(metavar="DIR", help="Folder for the files.")],
) -> None:
    """Write plot values and a script of general libraries that fits them again.

    The script prints F, P, differences and their standard errors with those of the record beside.
    Exit status: 0 when written, 1 when it cannot be, 2 for wrong usage.
    """
    existing(record)
    out_folder(out)
    from trialkit.desk.exporting import export_script
    from trialkit.record import read_record

    with working("The script"):
        paths = export_script(read_record(record), out, script)
    say(map(str, paths))


def _tell(
    found: T, lines: Callable[[T], Iterable[str]], page: Callable[[T], str], path: Path | None
) -> None:
    """Print what was found, and write it as a page where one is wanted."""
    from trialkit.files import write_whole

    if path is not None:
        write_whole(path, page(found).encode("utf-8"))
    say(lines(found))
