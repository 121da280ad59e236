"""Time of the whole job on the largest example, and how time grows with the number of trials.

Run as ``python tests/benchmarks/bench_report.py [TRIALS]``. Prints figures from one run (Linux
alone); asserts nothing. Printed in speed.md.
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

from processes_measured import Used, measured

import trialkit

LARGEST = "leaf_beetle_potato"


def whole_process(*arguments: str) -> Used:
    """What one call of the command line uses as its own process."""
    with tempfile.TemporaryDirectory() as out:
        path = str(trialkit.example_trial(LARGEST))
        where = ("--out", out, "--quiet") if arguments[0] == "report" else ()
        command = (sys.executable, "-m", "trialkit", arguments[0], path, *arguments[1:], *where)
        return measured(command)


def many(trials: int) -> None:
    """Read, analyse and record many trials without figures."""
    from datetime import UTC, datetime

    from trialkit.record import make_record, write_record

    path = trialkit.example_trial(LARGEST)
    made = datetime(2026, 1, 1, tzinfo=UTC)
    parts = {"read": 0.0, "analyse": 0.0, "record": 0.0}
    with tempfile.TemporaryDirectory() as out:
        for _ in range(trials):
            a = time.perf_counter()
            trial = trialkit.read_trial(path)
            b = time.perf_counter()
            analysis = trialkit.analyse(trial)
            c = time.perf_counter()
            findings = trialkit.make_findings(analysis)
            write_record(make_record(analysis, findings, made), Path(out) / "record.json")
            d = time.perf_counter()
            parts["read"] += b - a
            parts["analyse"] += c - b
            parts["record"] += d - c
    total = sum(parts.values())
    each = ", ".join(f"{name} {1000 * value / trials:.0f} ms" for name, value in parts.items())
    print(f"{trials} trials: {total / trials * 1000:.0f} ms a trial ({each})")


def main() -> None:
    """Print all figures."""
    whole_process("show")
    print(f"show: {whole_process('show')}")
    for formats in ("xlsx", "html,xlsx", "html,docx,pdf,xlsx"):
        print(f"report --formats {formats}: {whole_process('report', '--formats', formats)}")
    trials = int(sys.argv[1]) if len(sys.argv) > 1 else 20
    many(max(1, trials // 2))
    many(trials)


if __name__ == "__main__":
    main()
