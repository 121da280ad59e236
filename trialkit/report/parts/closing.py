"""Findings, warnings, cautions, references, and how to run the analysis again."""

from __future__ import annotations

import platform
from collections.abc import Iterator, Mapping
from importlib.metadata import PackageNotFoundError

from trialkit.figures.identity import plain_line
from trialkit.plain_text import joined
from trialkit.problems import Problem
from trialkit.report.captions import caption, counted
from trialkit.report.context import Context
from trialkit.report.document import (
    Block,
    Column,
    Command,
    Facts,
    Findings,
    Notes,
    Paragraph,
    Table,
)
from trialkit.report.numbers import write_share
from trialkit.report.references import reference_lines
from trialkit.report_choices import choosable
from trialkit.resources import NUMBERS_BY, installed_version
from trialkit.trial import Kind as VariableKind
from trialkit.trial import TreatmentRole, VariableRole

#: Kind of the problem that plots have no value.
MISSING_PLOTS = "missing-plots"
#: Kinds of problems that the methods tell as departures from the plan.
_DEPARTURES = (MISSING_PLOTS, "unequal-samples")
#: How many findings lead the report at full size.
LEADING = 8


def findings(context: Context) -> Iterator[Block]:
    """Say what the trial shows: the weightiest findings first, the rest set smaller below."""
    if context.findings:
        yield Findings(context.findings[:LEADING])
    if len(context.findings) > LEADING:
        yield Findings(context.findings[LEADING:], start=LEADING + 1, aside=True)


def how_to_read(context: Context) -> Iterator[Block]:
    """Say the conventions of all tables once."""
    level = write_share(1 - context.trial.settings.alpha)
    yield Paragraph(
        f"How to read the tables: numbers in small type are {level} confidence intervals, "
        "each on its own unless a note says otherwise. An interval that includes zero "
        "establishes neither an effect nor its absence. A dash means that there is no "
        f"value.{_below_zero(context)}{_grey_lines(context)}"
    )


def _below_zero(context: Context) -> str:
    if not (context.table("control", "percent") or context.table("natural_enemies", "percent")):
        return ""
    return " Control or a reduction below zero means more than in the untreated."


def _grey_lines(context: Context) -> str:
    if len(set(context.table("course", "mean").get("days_after"))) < 2:
        return ""
    roles = {item.role for item in context.trial.treatments}
    lines = [
        *(["the untreated (solid)"] if context.trial.untreated is not None else []),
        *(["the reference (dashed)"] if TreatmentRole.REFERENCE in roles else []),
    ]
    return f" In figures over days, grey lines repeat {joined(lines)}." if lines else ""


def warnings(context: Context) -> Iterator[Block]:
    """Everything odd in the input and in the analysis, what has the same remedy together."""
    problems = list(context.analysis.problems)
    if "methods" in context.choices.order():  # where these are departures from the plan
        problems = [item for item in problems if item.kind not in _DEPARTURES]
    left_out = _left_out(context)
    if left_out:
        yield Paragraph(left_out)
    if not problems:
        return
    by_remedy: dict[str, list[Problem]] = {}
    for item in problems:
        by_remedy.setdefault(item.remedy, []).append(item)
    yield Notes(
        tuple(f"{_told(items)} {plain_line(remedy)}" for remedy, items in by_remedy.items())
    )


def _told(items: list[Problem]) -> str:
    """Say what was found, each with its place; what begins alike is begun once."""
    told: dict[str, list[str]] = {}
    for item in items:
        place = f" ({item.place})" if str(item.place) else ""
        lead, mark, rest = item.what.removesuffix(".").rpartition(": ")
        if not place or not lead or ". " in rest:
            told[item.what + place] = []
        else:
            told.setdefault(f"{lead}{mark}", []).append(f"{rest}{place}")
    return plain_line(
        " ".join(f"{lead}{'; '.join(rest)}." if rest else lead for lead, rest in told.items())
    )


def _left_out(context: Context) -> str:
    """Say that a report shows a choice, so that nobody takes it for all there is."""
    chosen = context.choices.variables
    labels = choosable(context.trial)
    missing = [plain_line(label) for name, label in labels.items() if chosen and name not in chosen]
    told = f" It does not show {'; '.join(missing)}." if missing else ""
    if not told and not context.choices.parts:
        return ""
    return f"This report shows selected parts or variables; record.json holds all of them.{told}"


def warnings_table(context: Context) -> Iterator[Block]:
    """The same as a table, for the workbook."""
    problems = context.analysis.problems
    if problems:
        yield Table(
            key="odd",
            question="Data notes, and what to do about each",
            columns=(Column(title="What"), Column(title="Where"), Column(title="What to do")),
            rows=tuple(
                (plain_line(item.what), plain_line(str(item.place)), plain_line(item.remedy))
                for item in problems
            ),
            sheet="Data notes",
        )


def cautions(context: Context) -> Iterator[Block]:
    """Say what the results are not."""
    trial = context.trial
    items = [
        "These are the results of one trial, at one site, in one season. Other sites, seasons, "
        "pest levels and application methods may give other results.",
        "This report describes what was measured. It is not a recommendation to apply anything.",
        "Users of pesticides must follow the product label, local law and licensed advice, which "
        "take precedence over this report. Treatments that are not registered are not for use.",
    ]
    if any(item.role is VariableRole.PEST for item in context.variables.values()):
        items.append(
            "Small plots are not fields: pests move in from neighbouring plots, and control in a "
            "field may last longer or shorter."
        )
    yield Notes(tuple(items))
    if trial.crop_code or any(variable.code for variable in trial.variables):
        yield Paragraph("Contains EPPO Codes (www.eppo.int).")


#: Sources behind tables whose numbers come with intervals.
_WITH_INTERVALS: Mapping[str, set[str]] = {
    "control": {"inversion"},
    "mixtures": {"colby", "inversion"},
    "natural_enemies": {"iobc", "inversion"},
}


def _knows(context: Context, table: str, column: str) -> bool:
    """Whether a table has the column and any value in it."""
    rows = context.table(table, column)
    return bool(rows) and rows.knows(column)


def used_references(context: Context) -> set[str]:
    """Find the methods that this report rests on."""
    keys: set[str] = set()
    for name in ("control", "comparisons"):
        keys |= {str(method) for method in set(context.table(name).get("method"))}
    if _knows(context, "means", "letters"):
        keys.add("letters")
    areas = set(context.table("pest_days").get("variable"))
    kinds = {context.variables[name].kind for name in areas if name in context.variables}
    if VariableKind.PERCENT in kinds:
        keys.add("disease-area")
    if kinds - {VariableKind.PERCENT}:
        keys.add("pest-days")
    for name, needed in _WITH_INTERVALS.items():
        if _knows(context, name, "lower"):
            keys |= needed
    if _knows(context, "choices", "slope"):
        keys.add("taylor")
    return keys | _supporting_references(context)


def _supporting_references(context: Context) -> set[str]:
    """Find the methods of the checks and of what stands beside the tests."""
    keys: set[str] = set()
    checks = context.table("diagnostics", "check", "p")
    if checks:
        made = set(checks.known("p")["check"])
        names = {"equal scatter": "scatter", "normality": "normality", "additivity": "additivity"}
        keys |= {key for check, key in names.items() if check in made}
    if _knows(context, "choices", "power"):
        keys.add("box-cox")
    if context.table("covariate", "slope"):
        keys.add("covariance")
        if context.trial.design.has_larger_units:
            keys.add("kenward-roger")
    if "main" in set(context.table("count_tests").get("source")):
        keys.add("count-strata")
    tests = set(context.table("course_tests").get("test"))
    if "Greenhouse-Geisser" in tests:
        keys.add("greenhouse-geisser")
    notes = " ".join(str(note) for note in context.table("responses").get("note"))
    if any(str(test).startswith("REML") for test in tests) or "Kenward" in notes:
        keys.add("kenward-roger")
    if context.table("recovered_tests", "p"):
        keys |= {"recovered", "kenward-roger"}
    if "beta-binomial" in set(context.table("count_tests").get("model")):
        keys.add("beta-binomial")
        if context.trial.design.has_larger_units:
            keys |= {"empirical-logit", "satterthwaite"}
        shares = context.table("count_models", "mean").where(model="beta-binomial")
        if {0.0, 100.0} & set(shares["mean"]):
            keys.add("exact-share")
    return keys


def references(context: Context) -> Iterator[Block]:
    """List the sources of the formulas that were used."""
    keys = used_references(context)
    lines = reference_lines(keys)
    if not lines:
        return
    yield Notes(lines)


def run_again(context: Context) -> Iterator[Block]:
    """Say how to get the same numbers again."""
    seed = ("Seed", str(context.trial.settings.seed))
    yield from how_again("the data, the settings", context.made, seed)


def how_again(held: str, made: str, *facts: tuple[str, str]) -> Iterator[Block]:
    """Name the command that repeats an analysis from its record, and what made the numbers."""
    yield Paragraph(
        f"record.json, beside this report, holds {held} and every number. This command repeats "
        "the analysis and compares every number:"
    )
    yield Command("trialkit rerun record.json")
    when = [("Report made", made)] if made else []
    yield Facts((("Python", platform.python_version()), *versions(), *facts, *when))


def input_files(context: Context) -> Iterator[Block]:
    """List the files that were read, with their digests."""
    inputs = context.trial.inputs
    if inputs:
        yield Table(
            key="inputs",
            question=caption("inputs", count=len(inputs), number=counted(len(inputs))),
            about=caption("inputs_how"),
            columns=(Column(title="File"), Column(title="SHA-256")),
            rows=tuple((plain_line(name), digest) for name, digest in inputs),
            sheet="Files read",
        )


def versions() -> Iterator[tuple[str, str]]:
    """Name and version of what makes the numbers."""
    for name in ("trialkit", *NUMBERS_BY):
        try:
            yield name, installed_version(name)
        except PackageNotFoundError:
            continue
