"""Many trials in one run: each to its own folder, on several processes, none stopping others."""

from __future__ import annotations

import gc
import multiprocessing
import os
from collections import Counter
from collections.abc import Callable, Collection, Iterator, Sequence
from concurrent.futures import Executor, Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path

from trialkit.problems import Problem, Severity, TrialError, error
from trialkit.report_options import USUAL, ReportOptions


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

    @property
    def written(self) -> bool:
        """Whether its files were written."""
        return bool(self.paths)

    @property
    def warnings(self) -> int:
        """Number of its warnings."""
        return sum(item.severity is Severity.WARNING for item in self.problems)


def _silent(step: str) -> None:
    del step


def report_trials(
    trials: Sequence[Path | str],
    out: Path | str,
    *,
    formats: Collection[str] = USUAL,
    options: ReportOptions | None = None,
    jobs: int | None = None,
    executor: Executor | None = None,
    progress: Callable[[str], None] = _silent,
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
    some = min(cores() if jobs is None else max(jobs, 1), max(len(tasks), 1))
    done: list[Reported] = []
    if executor is not None:
        outcomes = _elsewhere(tasks, executor)
    else:
        outcomes = _in_turn(tasks) if some == 1 else _side_by_side(tasks, some)
    for found in outcomes:
        done.append(found)
        progress(f"{len(done)} of {len(tasks)} trials")
    return tuple(done)


def cores() -> int:
    """Number of cores that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def folder_names(trials: Sequence[Path]) -> list[str]:
    """Name a folder for each trial: as its file or folder is called, each different.

    Trials called alike get the name of the folder above them too, and a number where that is
    not enough.

    Parameters
    ----------
    trials : sequence of Path
    """
    places = [path.resolve() for path in trials]
    names = [(place.stem if place.is_file() else place.name) or "trial" for place in places]
    times = Counter(name.casefold() for name in names)
    names = [
        f"{place.parent.name}-{name}" if times[name.casefold()] > 1 and place.parent.name else name
        for name, place in zip(names, places, strict=True)
    ]
    taken: set[str] = set()
    for i, name in enumerate(names):
        number, own = 1, name
        while own.casefold() in taken:
            number += 1
            own = f"{name}-{number}"
        taken.add(own.casefold())
        names[i] = own
    return names


#: Bytes of freed memory that a process keeps by it.
_KEPT = 30_000_000

_Task = tuple[str, Path, Path, ReportOptions]


def _in_turn(tasks: Sequence[_Task]) -> Iterator[Reported]:
    for task in tasks:
        yield _report_one(task)


def _elsewhere(tasks: Sequence[_Task], executor: Executor) -> Iterator[Reported]:
    futures = [executor.submit(_report_one, task) for task in tasks]
    for task, future in zip(tasks, futures, strict=True):
        yield _outcome(task, future)


def _side_by_side(tasks: Sequence[_Task], jobs: int) -> Iterator[Reported]:
    if multiprocessing.get_start_method() == "fork":
        import_module("trialkit.run")  # once for all the processes, which then begin with it
    with ProcessPoolExecutor(jobs, initializer=_begin) as pool:
        futures = [pool.submit(_one_of_many, task) for task in tasks]
        try:
            for task, future in zip(tasks, futures, strict=True):
                yield _outcome(task, future)
        except BaseException:  # of an interrupted run what has not begun is not begun
            pool.shutdown(wait=False, cancel_futures=True)
            raise


def _begin() -> None:
    """Make a process ready for many trials.

    Circles of objects are looked for between trials alone, and not among what was loaded. A
    large block, taken and given back, makes the C library keep what is freed for the next arrays.
    """
    import_module("trialkit.run")
    gc.freeze()
    gc.disable()
    bytes(_KEPT)  # taken, but never touched


def _one_of_many(task: _Task) -> Reported:
    found = _report_one(task)
    gc.collect()
    return found


def _outcome(task: _Task, future: Future[Reported]) -> Reported:
    try:
        return future.result()
    except BrokenProcessPool:
        lost = error(
            "process-lost",
            "The process at work on this trial or beside it ended before it was done.",
            "Run it again, with fewer jobs at once if memory ran short.",
        )
        return Reported(name=task[0], trial=task[1], problems=(lost,))


def _report_one(task: _Task) -> Reported:
    # Loaded here: a process that only hands out work needs none of it.
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
    )
