"""Commands before the first count: a blank trial, its layout and everything to fill in."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from trialkit.cli_shared import Quiet, TrialPath, existing, out_folder, say, usage, working

if TYPE_CHECKING:
    from collections.abc import Iterable

    from trialkit.planning import BlocksNeeded, Field
    from trialkit.problems import Problem
    from trialkit.trial import Trial

Out = Annotated[Path, typer.Option("--out", metavar="DIR", help="Folder for the files.")]


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
    app.command(
        epilog="\b\nExamples\n"
        "  trialkit mix my_trial.xlsx --out season\n"
        "  trialkit mix my_trial --out season --left '2=0.35 L; 3=0.4 L' --application 1"
    )(mix)
    app.command(
        epilog="\b\nExamples\n"
        "  trialkit power my_trial.xlsx --like last_year/record.json --blocks 3..8\n"
        "  trialkit power my_trial --density 20 --k 2 --plot-cv 30 --samples 1,5 --out season\n"
        "  trialkit power my_trial --like last_year --ask trial,target,rates,days"
    )(power)


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

    with working("The files"):
        written = start_trial(path, source=source)
    if not quiet:
        say(f"Written: {file}" for file in written)
        say(["Fill it in, then lay it out:", f"  trialkit plan {path} --out season"])


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
    from trialkit.reading import read_protocol

    existing(trial)
    out_folder(out)
    named = [part.strip() for part in (sites or "").split(",") if part.strip()]
    chosen: list[str | None] = [*named] or [None]
    options = {"plan.blocks": blocks}
    with working("The files"):
        given = read_protocol(trial)
        planned = [
            plan_trial(given, site=site, seed=seed, again=again, options=options) for site in chosen
        ]
    name = file_name(trial.resolve().stem)
    for site, one in zip(chosen, planned, strict=True):
        folder = out if site is None else out / file_name(site)
        with working("The files"):
            paths = write_plan(
                one, folder, name=name, show_treatments=show_treatments, blind_labels=blind
            )
        if not quiet:
            say([] if site is None else [site])
            _tell([one.statement], paths, one.notes)


def mix(
    trial: TrialPath,
    out: Annotated[
        Path | None, typer.Option("--out", metavar="DIR", help="Folder for mix.html and mix.csv.")
    ] = None,
    left: Annotated[
        str | None,
        typer.Option(
            "--left",
            metavar="T=AMOUNT;...",
            help="What was left in the tank of treatments, with its unit: 2=0.35 L; 3=400 mL.",
        ),
    ] = None,
    application: Annotated[
        str | None, typer.Option("--application", metavar="ID", help="Of which application.")
    ] = None,
    quiet: Quiet = False,
) -> None:
    """Say what goes into the tank for every treatment and application.

    Writes mix.html (for print) and mix.csv to DIR. With --left it writes doses.csv with the rates
    that were put out: into the folder of the trial, or for a workbook to DIR. It computes and
    authorises nothing: label and law come first. Exit status: 0 done, 1 the trial has problems,
    2 wrong usage.
    """
    from trialkit.planning import mix_sheet
    from trialkit.planning.blank_words import cautions
    from trialkit.planning.mix_pages import mix_lines
    from trialkit.planning.visits import in_us_units
    from trialkit.planning.writing import write_mix
    from trialkit.reading import read_protocol
    from trialkit.wording import problem_lines

    existing(trial)
    if out is not None:
        out_folder(out)
    with working("The files"):
        given = read_protocol(trial)
        if left is None:
            sheet = mix_sheet(given)
    if left is not None:
        _left_over(trial, given, left, application, out)
        return
    say(problem_lines(sheet.problems), err=True)
    with working("The files"):
        paths = () if out is None else write_mix(given, sheet, out)
    if not quiet:
        _tell([*mix_lines(sheet, us=in_us_units(given)), cautions()[0]], paths)


def power(
    trial: TrialPath,
    like: Annotated[
        Path | None,
        typer.Option(
            "--like", metavar="RECORD|TRIAL", help="Take density, k and spread from its counts."
        ),
    ] = None,
    variable: Annotated[
        str | None,
        typer.Option("--variable", metavar="NAME", help="Which count of it; the first pest."),
    ] = None,
    density: Annotated[
        float | None, typer.Option("--density", help="Mean of a sample in untreated plots.")
    ] = None,
    k: Annotated[
        float | None, typer.Option("--k", help="k of the negative binomial; none is Poisson.")
    ] = None,
    plot_cv: Annotated[
        float | None, typer.Option("--plot-cv", help="Spread of plots within blocks, percent.")
    ] = None,
    block_cv: Annotated[
        float | None, typer.Option("--block-cv", help="Spread of blocks, percent.")
    ] = None,
    unit_cv: Annotated[
        float | None, typer.Option("--unit-cv", help="Spread of main plots or strips, percent.")
    ] = None,
    steady: Annotated[
        float | None,
        typer.Option(
            "--steady", help="Percent of the variance of plots that stays over the days (100)."
        ),
    ] = None,
    samples: Annotated[
        str | None, typer.Option("--samples", metavar="A,B", help="Samples a plot, to compare.")
    ] = None,
    blocks: Annotated[
        str, typer.Option("--blocks", metavar="A..B", help="Numbers of blocks to look at.")
    ] = "3..8",
    ask: Annotated[
        str,
        typer.Option(
            "--ask",
            metavar="A,B",
            help="What to show: assessment (one, quick), trial (over its days), target (control "
            "above it), rates (a lower not worse by the margin), days (target held longer).",
        ),
    ] = "assessment",
    assumed: Annotated[
        float | None,
        typer.Option("--control", help="Control of the other treatments (the target), percent."),
    ] = None,
    simulations: Annotated[
        int | None,
        typer.Option(
            "--simulations", min=100, help="Trials of each size (1000; of whole trials 200)."
        ),
    ] = None,
    seed: Annotated[
        int | None, typer.Option("--seed", min=0, help="Start of the random numbers.")
    ] = None,
    jobs: Annotated[
        int | None, typer.Option("--jobs", min=1, help="Processes at once; all cores.")
    ] = None,
    out: Annotated[
        Path | None, typer.Option("--out", metavar="DIR", help="Folder for power.html and .csv.")
    ] = None,
    quiet: Quiet = False,
) -> None:
    """Say how many blocks it takes to show something, by simulated trials of the design.

    The density comes from --density or an earlier trial (--like); nothing is assumed for it. Exit
    status: 0 done, 1 the trial has problems, 2 wrong usage.
    """
    from trialkit.planning.earlier import field_of
    from trialkit.planning.fields import Field
    from trialkit.planning.power_pages import power_lines
    from trialkit.planning.writing import write_power
    from trialkit.reading import read_protocol

    existing(trial)
    if out is not None:
        out_folder(out)
    sizes, asked = _sizes(blocks), _asked(ask)
    counts = _counts(samples)
    if assumed is not None and not 0 <= assumed < 100:
        usage("--control takes percent from 0 to below 100")
    if like is None and density is None:
        usage("give --density, or --like with an earlier trial or its record.json")
    earlier = existing(like) if like is not None else None
    with working("The files"):
        given = read_protocol(trial)
        if seed is not None:
            given = given.with_settings(seed=seed)
        field = Field(density=density or 0.0) if earlier is None else field_of(earlier, variable)
    said: dict[str, Any] = {
        "density": density, "k": k, "plot_cv": plot_cv, "block_cv": block_cv, "unit_cv": unit_cv,
        "steady": steady,
    }  # fmt: skip
    field = replace(field, **{name: value for name, value in said.items() if value is not None})
    fields = [replace(field, samples=count) for count in counts or [_planned(given, field)]]
    many = simulations or (1000 if asked == ["assessment"] else 200)
    with working("The files"):
        needed = _simulated(given, fields, sizes, asked, (assumed, many), jobs)
        paths = () if out is None else write_power(given, needed, out)
    if not quiet:
        _tell(power_lines(needed), paths)


def _simulated(
    trial: Trial,
    fields: list[Field],
    sizes: list[int],
    asked: list[str],
    how: tuple[float | None, int],
    jobs: int | None,
) -> BlocksNeeded:
    """Simulate on several processes, where there are several and the work is worth them."""
    from concurrent.futures import ProcessPoolExecutor

    from trialkit.planning import blocks_needed
    from trialkit.processes import cores

    assumed, simulations = how
    wanted = partial(
        blocks_needed,
        trial,
        fields,
        blocks=sizes,
        ask=asked,
        assumed=assumed,
        simulations=simulations,
    )
    some = cores() if jobs is None else jobs
    if some == 1 or (asked == ["assessment"] and not trial.design.has_larger_units):
        return wanted()
    with ProcessPoolExecutor(some) as pool:
        return wanted(executor=pool)


def _asked(text: str) -> list[str]:
    from trialkit.planning.chances import QUESTIONS

    words = [word.strip() for word in text.split(",") if word.strip()]
    if not words or set(words) - set(QUESTIONS):
        usage(f"--ask takes {', '.join(QUESTIONS)}, with commas between them, not {text!r}")
    return words


def _counts(text: str | None) -> list[int]:
    words = [] if text is None else [word.strip() for word in text.split(",")]
    if not all(word.isdecimal() and 1 <= int(word) <= 500 for word in words):
        usage(f"--samples takes whole numbers from 1 to 500, such as 1,5,10, not {text!r}")
    return sorted({int(word) for word in words})


def _planned(trial: Trial, field: Field) -> int:
    """Samples a plot that the trial plans, else those of the field."""
    planned = trial.plan.get("plan.samples")
    return int(planned) if planned else field.samples


def _sizes(text: str) -> list[int]:
    first, dots, last = text.partition("..")
    if not (first.isdecimal() and (not dots or last.isdecimal())):
        usage(f"--blocks takes two numbers, such as 3..8, not {text!r}")
    low, high = int(first), int(last or first)
    if not 2 <= low <= high <= 50:
        usage("--blocks takes numbers from 2 to 50, the smaller first")
    return list(range(low, high + 1))


def _left_over(
    path: Path, trial: Trial, left: str, application: str | None, out: Path | None
) -> None:
    """Write the rates that were put out."""
    from trialkit.planning import actual_doses
    from trialkit.planning.writing import write_doses

    litres = {}
    for part in filter(str.strip, left.split(";")):
        treatment, sign, amount = part.partition("=")
        volume = _litres(amount)
        if not sign or volume is None:
            usage(f"--left takes treatments with what was left, such as 2=0.35 L, not {part!r}")
        litres[treatment.strip()] = volume
    folder = path if path.is_dir() else out
    if folder is None:
        usage("of a workbook the doses are written to a folder: give --out")
    with working("The files"):
        doses = actual_doses(trial, litres, application=application)
        written = write_doses(trial, doses, folder)
    for row in doses.itertuples(index=False):
        typer.echo(f"{row.treatment}: {row.actual:.4g} {row.rate_unit} instead of {row.rate:.4g}")
    typer.echo(f"  {written}")
    if not path.is_dir():
        typer.echo("Copy its lines into the sheet Doses of the workbook.")


def _litres(text: str) -> float | None:
    from trialkit.measures.units import convert
    from trialkit.plan_keys import UNITS, quantity

    found = quantity(text)
    if found is None or found[1] not in UNITS["volume"]:
        return None
    return float(convert(found[0], found[1], "L"))


def _tell(texts: Iterable[str], paths: Iterable[Path], notes: Iterable[Problem] = ()) -> None:
    """Print paragraphs, notes on them and the files that were written."""
    from trialkit.wording import paragraph, problem_lines

    say(line for text in texts for line in paragraph(text))
    say(problem_lines(notes))
    say(f"  {path}" for path in paths)
