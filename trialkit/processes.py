"""Much work of one kind: in this process, on several, or on an executor of the caller's."""

from __future__ import annotations

import copyreg
import gc
import multiprocessing
import os
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Executor, Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from functools import partial
from importlib import import_module
from pathlib import Path
from types import MappingProxyType
from typing import Any, TypeVar

from trialkit.problems import Problem, error

T = TypeVar("T")
R = TypeVar("R")

#: Bytes of freed memory that a process keeps by it.
_KEPT = 30_000_000
#: What is said of work whose process was lost.
LOST: Problem = error(
    "process-lost",
    "The process at work on this trial or beside it ended before it was done.",
    "Run it again, with fewer jobs at once if memory ran short.",
)


def _frozen(content: dict[Any, Any]) -> MappingProxyType[Any, Any]:
    return MappingProxyType(content)


def _parts(mapping: MappingProxyType[Any, Any]) -> tuple[Callable[..., Any], tuple[dict[Any, Any]]]:
    return _frozen, (dict(mapping),)


# Trials hold frozen mappings, which Python itself does not send from one process to another.
copyreg.pickle(MappingProxyType, _parts)


def silent(step: str) -> None:
    """Tell nobody of a step."""
    del step


def cores() -> int:
    """Number of cores that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def work_through(
    work: Callable[[T], R],
    tasks: Sequence[T],
    lost: Callable[[T], R],
    *,
    room: str,
    jobs: int | None = None,
    executor: Executor | None = None,
) -> Iterator[R]:
    """Do every task, and give the outcomes in the order of the tasks.

    Parameters
    ----------
    work : callable
        Takes a task and gives its outcome; at the top of a module, so that processes find it.
    tasks : sequence
    lost : callable
        What is the outcome of a task whose process was lost.
    room : str
        Module that the work needs, loaded once by each process.
    jobs : int, optional
        Processes at once; as many as there are cores, when left out. With 1 all is done in this
        process.
    executor : concurrent.futures.Executor, optional
        Where the tasks are done instead; it is not shut down, and ``jobs`` is not looked at.
    """
    some = min(cores() if jobs is None else max(jobs, 1), max(len(tasks), 1))
    if executor is not None:
        futures = [executor.submit(work, task) for task in tasks]
        for task, future in zip(tasks, futures, strict=True):
            yield _outcome(task, future, lost)
    elif some == 1:
        yield from map(work, tasks)
    else:
        yield from _side_by_side(work, tasks, lost, room, some)


def _side_by_side(
    work: Callable[[T], R], tasks: Sequence[T], lost: Callable[[T], R], room: str, jobs: int
) -> Iterator[R]:
    if multiprocessing.get_start_method() == "fork":
        import_module(room)  # once for all the processes, which then begin with it
    with ProcessPoolExecutor(jobs, initializer=_begin, initargs=(room,)) as pool:
        futures = [pool.submit(partial(_one_of_many, work), task) for task in tasks]
        try:
            for task, future in zip(tasks, futures, strict=True):
                yield _outcome(task, future, lost)
        except BaseException:  # of an interrupted run what has not begun is not begun
            pool.shutdown(wait=False, cancel_futures=True)
            raise


def _begin(room: str) -> None:
    """Make a process ready for many trials.

    Circles of objects are looked for between trials alone, and not among what was loaded. A
    large block, taken and given back, makes the C library keep what is freed for the next arrays.
    """
    import_module(room)
    gc.freeze()
    gc.disable()
    bytes(_KEPT)  # taken, but never touched


def _one_of_many(work: Callable[[T], R], task: T) -> R:
    found = work(task)
    gc.collect()
    return found


def _outcome(task: T, future: Future[R], lost: Callable[[T], R]) -> R:
    try:
        return future.result()
    except BrokenProcessPool:
        return lost(task)


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
