"""CPU time of a cold start: ``trialkit --help`` against a bare interpreter.

Run as ``python tests/benchmarks/bench_start.py``. Prints medians and their ratio from one run;
asserts nothing.
"""

from __future__ import annotations

import os
import resource
import statistics
import subprocess
import sys

RUNS = 9


def cpu_seconds(command: list[str]) -> float:
    """User and system time of one run of a command."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    environment = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}
    subprocess.run(command, check=True, capture_output=True, env=environment)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def main() -> None:
    """Time both in turn, so that a drift of the machine hits both."""
    bare = [sys.executable, "-c", "pass"]
    started = [sys.executable, "-c", "from trialkit.cli import main; main()", "--help"]
    cpu_seconds(started)
    pairs = [(cpu_seconds(bare), cpu_seconds(started)) for _ in range(RUNS)]
    alone = statistics.median(first for first, _ in pairs)
    helped = statistics.median(second for _, second in pairs)
    print(f"bare interpreter   {alone:.3f} s CPU")
    print(f"trialkit --help    {helped:.3f} s CPU, {helped / alone:.1f} times the interpreter")


if __name__ == "__main__":
    main()
