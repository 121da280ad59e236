"""Work in a process split off from this one, where that is safe: it ends, and its memory with it.

Safe is Linux, one thread, two cores, and a process that is not itself one of several. Everywhere
else, and where the other process fails, the same work is done in this one.
"""

from __future__ import annotations

import ctypes
import gc
import multiprocessing
import os
import sys
import warnings
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any, Self

if TYPE_CHECKING:
    from multiprocessing.connection import Connection


def may_split() -> bool:
    """Whether this process is alone, has one thread and a second core, and can be split."""
    if not sys.platform.startswith("linux") or multiprocessing.parent_process() is not None:
        return False
    return one_thread_of_two_cores()


def one_thread_of_two_cores() -> bool:
    """Whether this process has one thread, and a core besides its own."""
    threads = Path("/proc/self/task")
    alone = threads.is_dir() and sum(1 for _ in threads.iterdir()) == 1
    return alone and len(os.sched_getaffinity(0)) > 1


def hand_back() -> None:
    """Give freed memory back to the system, as far as the C library can.

    It keeps what was freed between blocks in use, which after long tables is much, and each
    process split off begins with it. Takes some hundredths of a second.
    """
    gc.collect()
    trim = getattr(ctypes.CDLL(None), "malloc_trim", None) if sys.platform == "linux" else None
    if trim is not None:
        trim(0)


class Other:
    """A process split off from this one, and the pipe to it.

    Parameters
    ----------
    serve : callable
        What the other process does with its end of the pipe, and with this one's, which it closes.
    """

    def __init__(self, serve: Callable[[Connection, Connection], None]) -> None:
        context = multiprocessing.get_context("fork")
        self.pipe, other = context.Pipe()
        self._process: Any = context.Process(target=serve, args=(other, self.pipe), daemon=True)
        with warnings.catch_warnings():
            # Only one thread runs, which was looked up; newer versions count those just ended.
            warnings.simplefilter("ignore", DeprecationWarning)
            self._process.start()
        other.close()

    def end(self) -> None:
        """Stop it, whatever it does."""
        self.pipe.close()
        self._process.terminate()
        self._process.join()
        self._process.close()


class Apart:
    """A file that another process makes while this one goes on; use it in a ``with`` statement.

    Parameters
    ----------
    make : callable
        Gives the bytes. What it warns of is warned of here.
    """

    def __init__(self, make: Callable[[], bytes]) -> None:
        self._make = make
        self._other = Other(self._serve) if may_split() else None

    def _serve(self, pipe: Connection, other: Connection) -> None:
        other.close()
        # a fault, whatever it is, is met again in the other half, which can tell of it
        with pipe, suppress(Exception), warnings.catch_warnings(record=True) as remarks:
            warnings.simplefilter("always")
            made = self._make()
            pipe.send((made, [str(remark.message) for remark in remarks]))

    def take(self) -> bytes:
        """Wait for the bytes; they are made here where the other process has none."""
        if self._other is None:
            return self._make()
        try:
            made, remarks = self._other.pipe.recv()
        except (EOFError, OSError):
            made, remarks = self._make(), []
        for remark in remarks:
            warnings.warn(remark, stacklevel=2)
        return bytes(made)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *fault: object) -> None:
        if self._other is not None:
            self._other.end()
        self._other = None
