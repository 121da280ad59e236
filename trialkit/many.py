"""Many trials in one run: each to its own folder, on several processes, none stopping others."""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, field
from pathlib import Path

from trialkit.problems import Problem, Severity, TrialError, error
from trialkit.processes import LOST, folder_names, silent, work_through
from trialkit.report_options import USUAL, ReportOptions


@dataclass(frozen=True, slots=True, kw_only=True)
class Glimpse:
    """One trial in a few words, for a list of many.

    Attributes
    ----------
    leads : str
        Treatment with the best estimate, and whether it was shown to differ from the untreated.
    control_first, control_last : str
        Percent control of that treatment at the first and last assessment, with interval and day.
    precision : str
        Smallest reduction of the first pest over the period that a trial like this finds, and
        the coefficient of variation of the first yield.
    doubts : str
        Checks that failed, and values missing.

    Examples
    --------
    >>> from trialkit.many import Glimpse
    >>> Glimpse(leads="Tarnock").precision
    ''
    """

    leads: str = ""
    control_first: str = ""
    control_last: str = ""
    precision: str = ""
    doubts: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Reported:
    """What became of one of many trials.

    Attributes
    ----------
    name : str
        Name of its folder.
    trial : Path
        Where it was read from.
    paths : tuple of Path
        The files written; none where the trial has problems.
    findings : tuple of str
        What the trial shows, the weightiest first.
    problems : tuple of Problem
        Errors and warnings.
    glimpse : Glimpse
        The trial in a few words, for the overview.

    Examples
    --------
    >>> import trialkit
    >>> trial = trialkit.example_trial("leaf_beetle_potato")
    >>> trialkit.report_trials([trial], "reports", formats=(), jobs=1)[0].name
    'leaf_beetle_potato'
    """

    name: str
    trial: Path
    paths: tuple[Path, ...] = ()
    findings: tuple[str, ...] = ()
    problems: tuple[Problem, ...] = ()
    glimpse: Glimpse = field(default_factory=Glimpse)

    @property
    def written(self) -> bool:
        """Whether its files were written."""
        return bool(self.paths)

    @property
    def warnings(self) -> int:
        """Number of its warnings."""
        return sum(item.severity is Severity.WARNING for item in self.problems)


def report_trials(
    trials: Sequence[Path | str],
    out: Path | str,
    *,
    formats: Collection[str] = USUAL,
    options: ReportOptions | None = None,
    jobs: int | None = None,
    executor: Executor | None = None,
    progress: Callable[[str], None] = silent,
) -> tuple[Reported, ...]:
    """Report several trials, each to a folder of its own under ``out``.

    Parameters
    ----------
    trials : sequence of Path or str
        Folders, workbooks or flat tables.
    out : Path or str
        Folder of the folders; these are called as `folder_names` says.
    formats : collection of str
        As of `trialkit.report_trial`; without ``html``, ``docx`` and ``pdf`` no figure is drawn.
    options : ReportOptions, optional
        More to choose from; its formats stand for ``formats``.
    jobs : int, optional
        Processes at once; as many as there are cores, when left out. With 1 all is done in this
        process.
    executor : concurrent.futures.Executor, optional
        Where the trials are worked on instead: any pool, or that of a cluster whose machines see
        the same folders and have trialkit. It is not shut down; ``jobs`` is then not looked at.
    progress : callable
        Is told how far the run has come.

    Returns
    -------
    tuple of Reported
        In the order of the trials. One that fails has its problems and no files; it stops no
        other.

    Notes
    -----
    Where processes are started anew (not on Linux), a script that calls this must be guarded by
    ``if __name__ == "__main__"``, as with any pool of processes.

    Examples
    --------
    >>> import trialkit
    >>> trial = trialkit.example_trial("leaf_beetle_potato")
    >>> outcomes = trialkit.report_trials([trial], "reports", formats=(), jobs=1)
    >>> [path.name for path in outcomes[0].paths]
    ['record.json']
    """
    paths = [Path(trial) for trial in trials]
    wanted = options or ReportOptions(formats=tuple(formats))
    tasks = [
        (name, path, Path(out) / name, wanted)
        for name, path in zip(folder_names(paths), paths, strict=True)
    ]
    done: list[Reported] = []
    outcomes = work_through(
        _report_one, tasks, _lost, room="trialkit.run", jobs=jobs, executor=executor
    )
    for found in outcomes:
        done.append(found)
        progress(f"{len(done)} of {len(tasks)} trials")
    return tuple(done)


_Task = tuple[str, Path, Path, ReportOptions]


def _lost(task: _Task) -> Reported:
    return Reported(name=task[0], trial=task[1], problems=(LOST,))


def _report_one(task: _Task) -> Reported:
    # Loaded here: a process that only hands out work needs none of it.
    from trialkit.glimpse import glimpse
    from trialkit.run import report_trial

    name, trial, folder, options = task
    try:
        written = report_trial(trial, folder, options=options)
    except TrialError as fault:
        return Reported(name=name, trial=trial, problems=fault.problems)
    except OSError as fault:
        lost = error(
            "not-written",
            f"The files could not be written: {fault.strerror or fault}.",
            "See that the folder can be written to and the disk has room.",
        )
        return Reported(name=name, trial=trial, problems=(lost,))
    except Exception as fault:  # noqa: BLE001 - a fault of ours in one trial must not cost the others
        lost = error(
            "analysis-failed",
            f"The analysis of this trial failed ({type(fault).__name__}: {fault}).",
            "This is a fault of trialkit: please tell its maintainers, with the trial.",
        )
        return Reported(name=name, trial=trial, problems=(lost,))
    return Reported(
        name=name,
        trial=trial,
        paths=written.paths,
        findings=tuple(item.text for item in written.findings),
        problems=written.analysis.problems,
        glimpse=glimpse(written.analysis),
    )
