"""Time and memory of reports of very many treatments, in complete blocks and unbalanced.

Run as ``python tests/benchmarks/bench_large.py [FORMATS]``. Prints seconds on the
clock and of the processor, and peak memory, from one run; asserts nothing. Time should grow at
most as the number of pairs does.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np


def complete(treatments: int, path: Path) -> None:
    """Counts on 4 days in 3 blocks."""
    draw = np.random.default_rng(1)
    lines = ["plot,block,treatment,larvae -1 DAT,larvae 3 DAT,larvae 7 DAT,larvae 14 DAT"]
    for block in (1, 2, 3):
        for place in draw.permutation(treatments):
            name = "Untreated" if place == treatments - 1 else f"T{place + 1}"
            means = [30, *[3 + 27 * place / treatments] * 3]
            counts = [str(draw.poisson(draw.gamma(4, mean / 4))) for mean in means]
            lines.append(",".join([str(len(lines)), str(block), name, *counts]))
    path.write_text("\n".join(lines))


def incomplete(entries: int, path: Path) -> None:
    """Yields in two replicates of incomplete blocks of 9 or 10."""
    draw = np.random.default_rng(2)
    worth = draw.normal(0, 0.5, entries)
    lines, block = ["plot,rep,block,entry,yield (t/ha)"], 0
    for replicate in (1, 2):
        order, taken = draw.permutation(entries), 0
        while taken < entries:
            size, block, level = int(draw.integers(9, 11)), block + 1, draw.normal(0, 0.4)
            for entry in order[taken : taken + size]:
                value = 6 + worth[entry] + level + draw.normal(0, 0.3)
                lines.append(f"{len(lines)},{replicate},{block},E{entry + 1},{value:.2f}")
            taken += size
    path.write_text("\n".join(lines))


def unbalanced(entries: int, path: Path) -> None:
    """Counts on two days in three blocks, a plot in fifteen lost."""
    draw = np.random.default_rng(3)
    lines = ["plot,block,entry,larvae 7 DAT,larvae 14 DAT"]
    for block in (1, 2, 3):
        for entry in draw.permutation(entries):
            if draw.random() > 1 / 15:
                counts = f"{draw.poisson(20)},{draw.poisson(10)}"
                lines.append(f"{len(lines)},{block},E{entry + 1},{counts}")
    path.write_text("\n".join(lines))


def measured(path: Path, formats: str) -> str:
    """Seconds and peak memory of one report in a process of its own."""
    command = [sys.executable, "-m", "trialkit", "report", str(path), "--formats", formats]
    started = time.perf_counter()
    child = subprocess.Popen(
        [*command, "--out", str(path.parent / "out")],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    _, status, used = os.wait4(child.pid, 0)
    if os.waitstatus_to_exitcode(status):
        return "failed"
    clock, processor = time.perf_counter() - started, used.ru_utime + used.ru_stime
    return f"{clock:6.1f} s {processor:6.1f} s {used.ru_maxrss / 1000:6.0f} MB"


def main() -> None:
    """Print a line a trial."""
    formats = sys.argv[1] if len(sys.argv) > 1 else "html"
    for make in (complete, incomplete, unbalanced):
        for number in (100, 200, 400):
            with tempfile.TemporaryDirectory() as folder:
                path = Path(folder) / "trial.csv"
                make(number, path)
                print(f"{make.__name__:<12} {number:>4}  {measured(path, formats)}", flush=True)


if __name__ == "__main__":
    main()
