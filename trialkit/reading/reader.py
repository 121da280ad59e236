"""Files to a Trial: every table read, every problem found, in one pass."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from trialkit.problems import Problem, Severity, TrialError, error
from trialkit.reading.assemble import assemble
from trialkit.reading.cells import Ledger
from trialkit.reading.draft import read_draft
from trialkit.reading.headers import normal
from trialkit.reading.problem_order import in_order
from trialkit.reading.sources import Source, open_source
from trialkit.trial import Design, Trial
from trialkit.trial_faults import trial_faults


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """What came of reading a path.

    Attributes
    ----------
    trial : Trial or None
        None where any error was found.
    problems : tuple of Problem
        Errors and warnings in the order of the files.
    understood : tuple of (str, str, str)
        File or sheet, header as written, what it was taken for; also where there are errors.
    """

    trial: Trial | None
    problems: tuple[Problem, ...]
    understood: tuple[tuple[str, str, str], ...]


def read_trial(path: Path | str) -> Trial:
    """Read a trial from a folder, a workbook or a flat table.

    Parameters
    ----------
    path : Path or str
        A folder with ``trial.toml`` and tables, a workbook (.xlsx, .xlsm) with the same tables
        as sheets, or one table (.csv, .tsv, or a single sheet) with plots, treatments and
        values together.

    Returns
    -------
    Trial
        With everything odd in ``warnings`` and what was made of each header in ``understood``.

    Raises
    ------
    TrialError
        With all problems found, warnings too, when there is any error.

    Examples
    --------
    >>> import trialkit
    >>> trial = trialkit.read_trial(trialkit.example_trial("leaf_beetle_potato"))
    >>> [variable.name for variable in trial.variables][:2]
    ['larvae', 'lady_beetles']
    """
    reading = read(path)
    if reading.trial is None:
        raise TrialError(reading.problems)
    return reading.trial


#: What is no fault of a trial that is still to be laid out.
_OF_NO_PLAN = frozenset(
    {"no-plan", "no-plots", "treatment-without-plots", "no-values", "variable-without-data"}
)


def read_protocol(path: Path | str) -> Trial:
    """Read a trial that may still be without plots, to lay it out.

    Parameters
    ----------
    path : Path or str
        As for `read_trial`; the table of plots may be empty or missing.

    Returns
    -------
    Trial
        ``plots`` is empty where it has not been laid out.

    Raises
    ------
    TrialError
        With all problems found, when there is any error beside the missing plan, or the design
        is not named.
    """
    reading = read(path, planned=False)
    if reading.trial is None:
        raise TrialError(reading.problems)
    return reading.trial


def read(path: Path | str, *, planned: bool = True) -> Reading:
    """Read a trial and say what was found, without raising on bad input.

    Parameters
    ----------
    path : Path or str
        As for `read_trial`.
    planned : bool
        Whether a trial without plots is one that lacks something.
    """
    ledger = Ledger()
    source = open_source(Path(path), ledger)
    return read_source(source, ledger, planned=planned)


def read_source(source: Source | None, ledger: Ledger, *, planned: bool = True) -> Reading:
    """Read what a path or the tables of a program hold; see `read`."""
    trial = None if source is None else assemble(read_draft(source, ledger), ledger)
    if trial is not None and trial.plots and not ledger.failed:
        ledger.problems += trial_faults(trial)
    problems = in_order(ledger.problems)
    if not planned:
        if not any(
            normal(header) == "design" and not taken.startswith("nothing")
            for _, header, taken in ledger.understood
        ):
            problems = (*problems, _NO_DESIGN)
        problems = tuple(item for item in problems if item.kind not in _OF_NO_PLAN)
    return Reading(
        trial=None if any(p.severity is Severity.ERROR for p in problems) else trial,
        problems=problems,
        understood=tuple(ledger.understood),
    )


_NO_DESIGN = error(
    "no-design",
    "The design is not named, so the trial cannot be laid out.",
    f'Name it in the settings: design = "rcbd" ({", ".join(item.value for item in Design)}).',
)
