"""CPU seconds and memory of a command with all the processes that it splits off."""

from __future__ import annotations

import resource
import subprocess
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

#: Seconds between two looks at the memory.
_BETWEEN = 0.02


@dataclass(frozen=True)
class Used:
    """What a command used.

    Attributes
    ----------
    clock, cpu : float
        Seconds; of all processes together.
    together : float
        MB of memory in use at the peak by all processes, each page counted once: their
        proportional set sizes added up.
    largest : float
        MB of the largest process, what it shares with others counted in full.
    failed : bool
    """

    clock: float
    cpu: float
    together: float
    largest: float
    failed: bool

    def __str__(self) -> str:
        if self.failed:
            return "failed"
        return (
            f"{self.cpu:6.1f} s of CPU {self.clock:6.1f} s on the clock "
            f"{self.together:5.0f} MB together {self.largest:5.0f} MB the largest process"
        )


def measured(command: Sequence[str]) -> Used:
    """Run a command and look at its memory fifty times a second (Linux alone)."""
    before, started = _cpu(), time.perf_counter()
    child = subprocess.Popen(list(command), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    together = largest = 0.0
    while child.poll() is None:
        sizes = [size for size in map(_sizes, _with_children(child.pid)) if size is not None]
        together = max(together, sum(proportional for proportional, _ in sizes))
        largest = max([largest, *(resident for _, resident in sizes)])
        time.sleep(_BETWEEN)
    clock = time.perf_counter() - started
    return Used(clock, _cpu() - before, together, largest, child.returncode != 0)


def _cpu() -> float:
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def _with_children(process: int) -> list[int]:
    found = [process]
    try:
        for thread in Path(f"/proc/{process}/task").iterdir():
            text = (thread / "children").read_text()
            for child in text.split():
                found += _with_children(int(child))
    except OSError:  # it has ended
        pass
    return found


def _sizes(process: int) -> tuple[float, float] | None:
    """Proportional and resident set size in MB; None of a process that has ended."""
    try:
        lines = Path(f"/proc/{process}/smaps_rollup").read_text().splitlines()
    except OSError:
        return None
    kilobytes = {line.split()[0]: int(line.split()[1]) for line in lines[1:]}
    return kilobytes.get("Pss:", 0) / 1024, kilobytes.get("Rss:", 0) / 1024
