"""Time and memory of reports of very many treatments, in complete blocks and unbalanced.

Run as ``python tests/benchmarks/bench_large.py [FORMATS [KIND ...]]``, formats with commas between
them. Prints seconds of the processor and on the clock, and peak memory, from one run (Linux
alone); asserts nothing. Time should grow at most as the number of pairs does. Printed in speed.md.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import numpy as np
from processes_measured import measured

sys.path.insert(0, str(Path(__file__).parents[1]))
from odd_trials import Odd, lay_out


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


def with_a_map(treatments: int, path: Path) -> None:
    """Counts on 5 days in 4 blocks; the plots have rows and columns."""
    lay_out(path, Odd(treatments=treatments, days=5, harvested=False))


def many_days(treatments: int, path: Path) -> None:
    """Counts of two variables on 20 days in 6 blocks, and yield."""
    lay_out(path, Odd(treatments=treatments, days=20, blocks=6))


#: Trials by what lays them out, and how many treatments each has.
TRIALS = {
    with_a_map: (200,),
    many_days: (25,),
    complete: (100, 200, 400),
    incomplete: (100, 200, 400),
    unbalanced: (100, 200, 400),
}


def main() -> None:
    """Print a line a trial."""
    formats = sys.argv[1] if len(sys.argv) > 1 else "html"
    wanted = sys.argv[2:]
    for make, numbers in TRIALS.items():
        for number in numbers if not wanted or make.__name__ in wanted else ():
            with tempfile.TemporaryDirectory() as folder:
                path = Path(folder) / "trial.csv"
                make(number, path)
                command = [sys.executable, "-m", "trialkit", "report", str(path)]
                used = measured([*command, "--formats", formats, "--out", f"{folder}/out"])
                print(f"{make.__name__:<12} {number:>4}  {used}", flush=True)


if __name__ == "__main__":
    main()
