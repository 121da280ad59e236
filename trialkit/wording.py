"""Plain lines for the terminal, at most 80 columns wide."""

from __future__ import annotations

import textwrap
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from trialkit.numerals import day as write_day
from trialkit.numerals import plural
from trialkit.plain_text import printable
from trialkit.problems import Problem, Severity, one_each
from trialkit.trial import Design, Trial
from trialkit.words import DESIGNS, KINDS, ROLES

if TYPE_CHECKING:
    from trialkit.findings import Finding
    from trialkit.many import Reported
    from trialkit.record import Agreement

WIDTH = 80
#: How many findings the terminal shows before it points to the report.
FINDINGS_SHOWN = 5
#: How many warnings a report lists in the terminal, and problems one of many trials.
PROBLEMS_SHOWN, OF_MANY_SHOWN = 5, 3
#: How many treatments a check lists, unless everything is asked for.
TREATMENTS_SHOWN = 24
#: How many differing numbers a comparison lists.
DIFFERENCES_SHOWN = 20


def _wrap(text: str, indent: str = "", hang: str | None = None) -> list[str]:
    return textwrap.wrap(
        printable(text),
        WIDTH,
        initial_indent=indent,
        subsequent_indent=indent if hang is None else hang,
        break_long_words=False,
        break_on_hyphens=False,
    ) or [indent]


def paragraph(text: str) -> list[str]:
    """Lines of a text of its own."""
    return _wrap(text)


def problem_lines(problems: Iterable[Problem]) -> list[str]:
    """Problems one below the other, one for each cause, the grave ones first."""
    kept = one_each(problems)
    lines: list[str] = []
    for severity, head in ((Severity.ERROR, "Problem"), (Severity.WARNING, "Warning")):
        for problem in kept:
            if problem.severity is not severity:
                continue
            where = str(problem.place)
            lines += _wrap(f"{head}: {where}" if where else f"{head}:")
            lines += _wrap(problem.what, "  ")
            lines += _wrap(problem.remedy, "  ")
    return lines


def _row(label: str, text: str) -> list[str]:
    return _wrap(text, f"{label:<13}", " " * 13)


def _trial_lines(trial: Trial, *, everything: bool) -> list[str]:
    blocks = {plot.block for plot in trial.plots if plot.block is not None}
    design = DESIGNS[trial.design]
    if trial.main_plots is Design.LATIN:
        design += ", main plots in a Latin square"
    elif blocks:
        design += f", {plural(len(blocks), 'block')}"
    lines = [*_row("Trial", trial.title), *_row("Design", design)]
    lines += _row("Plots", str(len(trial.plots)))
    treatments = []
    numbers = Counter(plot.treatment for plot in trial.plots)
    shown = trial.treatments if everything else trial.treatments[:TREATMENTS_SHOWN]
    for item in shown:
        number = numbers[item.id]
        role = f", {item.role.value}" if item.role.value != "test" else ""
        named = item.id if item.name == item.id else f"{item.id}: {item.name}"
        treatments.append(f"{named}{role} ({plural(number, 'plot')})")
    if len(shown) < len(trial.treatments):
        treatments.append(f"and {len(trial.treatments) - len(shown)} more")
    lines += _row("Treatments", treatments[0])
    for text in treatments[1:]:
        lines += _wrap(text, " " * 13, " " * 15)
    for variable in trial.variables:
        lines += _row("Variable", _variable_text(trial, variable.name))
    if not trial.harvest.empty:
        lines += _row("Harvest", f"{plural(len(trial.harvest), 'plot')}, mass as harvested")
    if trial.applications:
        dates = ", ".join(item.date.isoformat() for item in trial.applications)
        lines += _row("Applied", dates)
    elif trial.applied is not None:
        lines += _row("Applied", trial.applied.isoformat())
    return lines


def _variable_text(trial: Trial, name: str) -> str:
    variable = trial.variable(name)
    text = f"{name}: {variable.label}, {KINDS[variable.kind]}, {ROLES[variable.role]}"
    if variable.examined is not None:
        fixed = not isinstance(variable.examined, str)
        text += f", of {variable.examined:g} examined" if fixed else f", of {variable.examined}"
    days = sorted(set(trial.counts.loc[trial.counts["variable"] == name, "day"].astype(float)))
    if days:
        listed = ", ".join(write_day(day) for day in days)
        text += f"; {'day' if len(days) == 1 else 'days'} {listed}"
    return text


def _obvious(where: str, header: str, meaning: str) -> bool:
    """Whether a heading was taken for what it says, so that nobody needs to be told."""
    if meaning == "for people, not read":
        return True
    word = _letters(header)
    said = meaning.removeprefix("yield ").removeprefix("variable ").partition(",")[0]
    if where.casefold() in {"trial.toml", "trial", "report", "variables", "variables.csv"}:
        return not meaning.startswith(("a note", "nothing", "a remark"))
    return word == _letters(said)


def _letters(text: str) -> str:
    return "".join(mark for mark in text.casefold() if mark.isalnum())


def _understood_lines(understood: Sequence[tuple[str, str, str]], *, everything: bool) -> list[str]:
    kept = [item for item in dict.fromkeys(understood) if everything or not _obvious(*item)]
    if not kept:
        return []
    understood = kept
    lines = ["", "What each column was taken for" if everything else "What was not obvious"]
    source = None
    for where, header, meaning in understood:
        if where != source:
            lines += _wrap(where, "  ")
            source = where
        lines += _wrap(f"{header}: {meaning}", "    ", "      ")
    return lines


def check_lines(
    trial: Trial | None,
    problems: Sequence[Problem],
    understood: Sequence[tuple[str, str, str]],
    *,
    everything: bool = False,
) -> list[str]:
    """What was understood of a trial, and every problem.

    Unless ``everything`` is asked for, headings that mean what they say are left out, and what
    needs nothing to be done is counted in a line.
    """
    lines = _trial_lines(trial, everything=everything) if trial is not None else []
    lines += _understood_lines(understood, everything=everything)
    if lines:
        lines.append("")
    shown = [item for item in problems if everything or not item.at_rest]
    lines += problem_lines(shown)
    rest = _rest_lines(problems, "see trialkit check --all") if not everything else []
    return [*lines, *rest, *_verdict(problems)]


def _rest_lines(problems: Iterable[Problem], where: str) -> list[str]:
    """One line for all that needs nothing to be done."""
    number = len(one_each(item for item in problems if item.at_rest))
    if not number:
        return []
    return _wrap(
        f"{plural(number, 'more note')} {'needs' if number == 1 else 'need'} no action; {where}."
    )


def _verdict(problems: Sequence[Problem]) -> list[str]:
    shown = one_each(item for item in problems if not item.at_rest)
    errors = sum(problem.severity is Severity.ERROR for problem in shown)
    warnings = len(shown) - errors
    if errors:
        verdict = f"{plural(errors, 'problem')} to mend before this trial can be analysed"
        verdict += f", and {plural(warnings, 'warning')}." if warnings else "."
    elif warnings:
        verdict = f"This trial can be analysed, with {plural(warnings, 'warning')}."
    else:
        verdict = "This trial can be analysed; nothing odd was found."
    return _wrap(verdict)


def closing_lines(
    findings: Sequence[Finding], problems: Sequence[Problem], paths: Sequence[Path]
) -> list[str]:
    """What the trial shows, what needs a look, and where the files are."""
    lines: list[str] = []
    if findings:
        lines.append("What the trial shows")
        for item in findings[:FINDINGS_SHOWN]:
            lines += _wrap(item.text, "- ", "  ")
        rest = len(findings) - FINDINGS_SHOWN
        if rest > 0:
            lines.append(f"  ({rest} more in the report)")
        lines.append("")
    looks = [*look_lines(problems), *_rest_lines(problems, "see the report")]
    if looks:
        lines += [*looks, ""]
    return [*lines, "Written", *path_lines(paths)]


def tidy_lines(trial: Trial, paths: Sequence[Path]) -> list[str]:
    """What was understood of a file that was written anew, and where it is."""
    lines = [*_trial_lines(trial, everything=False), ""]
    looks = [
        *look_lines(trial.warnings),
        *_rest_lines(trial.warnings, "see the list of what was understood"),
    ]
    return [*lines, *looks, *([""] if looks else []), "Written", *path_lines(paths)]


def path_lines(paths: Iterable[Path]) -> list[str]:
    """Paths, one a line."""
    return [f"  {printable(str(path))}" for path in paths]


def look_lines(problems: Iterable[Problem]) -> list[str]:
    """Warnings that need a look, the first of them in full."""
    kept = one_each(item for item in problems if not item.at_rest)
    lines = problem_lines(kept[:PROBLEMS_SHOWN])
    if len(kept) > PROBLEMS_SHOWN:
        lines += _wrap(f"{plural(len(kept) - PROBLEMS_SHOWN, 'warning')} more in the report.")
    return lines


def outcome_lines(item: Reported) -> list[str]:
    """One of many trials that was written: where its files are."""
    text = f"{item.name}: written to {item.paths[-1].parent}"
    if item.warnings:
        text += f" ({plural(item.warnings, 'warning')}, kept in its files)"
    return _wrap(text, "", "  ")


def failure_lines(item: Reported) -> list[str]:
    """One of many trials that was not written: the first problems in it."""
    lines = _wrap(f"{item.name}: nothing was written for {item.trial}", "", "  ")
    errors = one_each(found for found in item.problems if found.severity is Severity.ERROR)
    lines += [f"  {line}" for line in problem_lines(errors[:OF_MANY_SHOWN])]
    if len(errors) > OF_MANY_SHOWN:
        rest = plural(len(errors) - OF_MANY_SHOWN, "more problem")
        lines += _wrap(f"{rest}: trialkit check {item.trial}", "  ", "    ")
    return lines


def total_line(outcomes: Sequence[Reported]) -> str:
    """How many of the trials were written."""
    failed = sum(not item.written for item in outcomes)
    if not failed:
        return f"All {len(outcomes)} trials were written."
    return f"{len(outcomes) - failed} of {plural(len(outcomes), 'trial')} written; " + (
        "1 has problems." if failed == 1 else f"{failed} have problems."
    )


def agreement_lines(agreement: Agreement, record: Mapping[str, Any]) -> list[str]:
    """Whether a record run again gave the same numbers."""
    made = f"Recorded {record.get('made')} with trialkit {record.get('trialkit')}."
    lines = _wrap(made)
    if agreement.same:
        text = f"Run again: all {agreement.compared:,} recorded values came out the same"
        text += (
            ", to the last digit."
            if agreement.largest == 0.0
            else f", the numbers to within a share of {agreement.largest:.0e}."
        )
        return [*lines, *_wrap(text)]
    if agreement.edited:
        parts = ", ".join(agreement.edited)
        lines += _wrap(f"The record was edited after it was written: {parts}.")
    number = len(agreement.differences)
    if not number:
        return [*lines, *_wrap("The numbers that it holds come out of the data that it holds.")]
    verb = "differs" if number == 1 else "differ"
    lines += _wrap(f"Run again: {number:,} of {agreement.compared:,} recorded values {verb}:")
    for difference in agreement.differences[:DIFFERENCES_SHOWN]:
        lines += _wrap(str(difference), "  ", "    ")
    if number > DIFFERENCES_SHOWN:
        lines.append(f"  and {number - DIFFERENCES_SHOWN:,} more")
    return lines
