"""Time and memory of many records combined into one series.

Records are those of random trials of `bench_many_trials` (8 treatments, 3 variables on 7 days,
yield). So many different trials are reported as are asked for with ``--different`` (40); the rest
are copies of their records, each with a digest of its files of its own, so that it counts as a
trial of its own. Prints seconds on the clock, CPU seconds of all processes (which a busy machine
disturbs less) and their memory at its largest so far, for each step. Asserts nothing.

Run as ``python tests/benchmarks/bench_many_records.py [RECORDS] [--different N] [--jobs N]
[--keep DIR]``
(100; 1000 for the whole).
"""

from __future__ import annotations

import argparse
import hashlib
import os
import resource
import tempfile
import time
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import bench_many_trials as many

import trialkit
from trialkit.record.series import make_series_record
from trialkit.series.combine import combine


def records(folder: Path, number: int, different: int, jobs: int) -> Path:
    """Write so many records, each in a folder of its own, and say where."""
    out = folder / "records"
    if out.is_dir() and len(list(out.iterdir())) == number:
        return out
    trials = [
        many.random_trial(folder / "trials" / f"t{i}", i, many.DAYS) for i in range(different)
    ]
    trialkit.report_trials(trials, folder / "reports", formats=(), jobs=jobs)
    texts = [
        (folder / "reports" / f"t{i}" / "record.json").read_text(encoding="utf-8")
        for i in range(different)
    ]
    for i in range(number):
        text = texts[i % different]
        if i >= different:
            start = text.index('"sha256": "') + 11
            own = hashlib.sha256(str(i).encode()).hexdigest()
            text = text[:start] + own + text[start + 64 :]
        path = out / f"r{i:04d}" / "record.json"
        path.parent.mkdir(parents=True)
        path.write_text(text, encoding="utf-8")
    return out


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser()
    parser.add_argument("records", type=int, nargs="?", default=100)
    parser.add_argument("--different", type=int, default=40)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--keep", type=Path)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as temporary:
        folder = given.keep or Path(temporary)
        different = min(given.different, given.records)
        path = records(folder, given.records, different, given.jobs)
        size = sum(item.stat().st_size for item in path.rglob("record.json"))
        print(f"{given.records} records of {different} trials, {size / 1e6:,.0f} MB")
        steps: list[Step] = []

        def told(step: str) -> None:
            name = step.partition(":")[0]
            if not steps or steps[-1].name != name:
                steps.append(Step.now(name))

        series = combine(path, jobs=given.jobs, progress=told)
        told("Writing the record")
        text = make_series_record(series, datetime.now(UTC))
        told("end")
        print(f"  {'':<38}{'clock, s':>10}{'CPU, s':>10}{'memory, MB':>12}{'of a worker':>13}")
        for step, then in pairwise(steps):
            cpu, clock = then.cpu - step.cpu, then.clock - step.clock
            print(f"  {step.name:<38}{clock:10.1f}{cpu:10.1f}{then.memory:12.0f}{then.other:13.0f}")
        print(f"  the record holds {len(text) / 1e6:.0f} MB")


@dataclass(frozen=True)
class Step:
    """When a step began: clock, CPU of all processes, largest memory of this and of a worker."""

    name: str
    clock: float
    cpu: float
    memory: float
    other: float

    @classmethod
    def now(cls, name: str) -> Step:
        """Look at the clocks."""
        own = resource.getrusage(resource.RUSAGE_SELF)
        others = resource.getrusage(resource.RUSAGE_CHILDREN)
        cpu = own.ru_utime + own.ru_stime + others.ru_utime + others.ru_stime
        return cls(name, time.perf_counter(), cpu, own.ru_maxrss / 1e3, others.ru_maxrss / 1e3)


if __name__ == "__main__":
    main()
