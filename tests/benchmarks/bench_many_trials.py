"""Time of many random trials without figures, on two processes, and how it grows.

A trial has 8 treatments in 4 blocks, 3 variables on 7 days, and yield: 25 responses. Each is
laid out anew; every other one lost a plot on the way and a count. Prints CPU seconds of the
workers (which a busy machine disturbs less) and seconds on the clock, a trial; how twice the
trials, and twice the days, multiply the time; and what the parts take. Asserts nothing.

Run as ``python tests/benchmarks/bench_many_trials.py [TRIALS] [--record-only | --tests-only]``
(40, or 1000 for the whole). Record only: all is worked out, and no tables are written. Tests
only: the record only, and without what supports the tests (``supporting = false``).
"""

from __future__ import annotations

import csv
import os
import resource
import sys
import tempfile
import time
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

import trialkit

TREATMENTS, BLOCKS = 8, 4
DAYS = (-1, 3, 7, 10, 14, 21, 28)
HALF_THE_DAYS = (-1, 7, 21)
JOBS = 2
TESTS_ONLY = "--tests-only" in sys.argv
FORMATS = () if TESTS_ONLY or "--record-only" in sys.argv else ("csv",)
SETTINGS = """title = "Random trial {number}"
design = "rcbd"
applied = 2025-06-12
untreated = "1"
[variables.larvae]
label = "Larvae per 10 plants"
kind = "count"
role = "pest"
threshold = 15.0
[variables.lady_beetles]
label = "Lady beetles per 10 plants"
kind = "count"
role = "natural-enemy"
[variables.eaten]
label = "Leaf area eaten, %"
kind = "percent"
role = "damage"
[variables.tubers]
label = "Tubers"
kind = "measurement"
role = "yield"
unit = "t/ha"
"""


def random_trial(folder: Path, number: int, days: Sequence[int]) -> Path:
    """Write an invented trial; the number is its seed."""
    rng = np.random.default_rng([20, number])
    plots = [100 * (b + 1) + c + 1 for b in range(BLOCKS) for c in range(TREATMENTS)]
    treatment = np.concatenate([rng.permutation(TREATMENTS) for _ in range(BLOCKS)])
    block = np.repeat(np.arange(BLOCKS), TREATMENTS)
    cells = _cells(rng, treatment, block, np.array(days, dtype=float))
    yields = [f"{value:.1f}" for value in rng.normal(30.0, 2.0, len(plots)) + treatment]
    if number % 2 == 0:
        lost = int(rng.integers(len(plots)))
        cells[lost, len(days) // 2 :] = yields[lost] = ""
        cells[int(rng.integers(len(plots))), int(rng.integers(1, len(days)))] = ""
    folder.mkdir(parents=True)
    settings = SETTINGS.format(number=number)
    settings += "[analysis]\nsupporting = false\n" if TESTS_ONLY else ""
    (folder / "trial.toml").write_text(settings, encoding="utf-8")
    roles = ["untreated", "carrier", "reference", *["test"] * (TREATMENTS - 3)]
    _table(
        folder / "treatments.csv",
        ("treatment", "name", "role"),
        [(i + 1, f"Product {i}" if i else "Untreated", role) for i, role in enumerate(roles)],
    )
    _table(
        folder / "plots.csv",
        ("plot", "block", "treatment", "row", "column"),
        [
            (plot, block[i] + 1, treatment[i] + 1, block[i] + 1, plot % 100)
            for i, plot in enumerate(plots)
        ],
    )
    _table(
        folder / "counts.csv",
        ("plot", "days_after", "larvae", "lady_beetles", "eaten"),
        [(plot, day, *cells[i, j]) for j, day in enumerate(days) for i, plot in enumerate(plots)],
    )
    _table(folder / "yield.csv", ("plot", "tubers"), zip(plots, yields, strict=True))
    return folder


def _cells(
    rng: np.random.Generator, treatment: np.ndarray, block: np.ndarray, days: np.ndarray
) -> np.ndarray:
    """Larvae, lady beetles and leaf area eaten as text, (plots, days, 3)."""
    kill = np.concatenate([[0.0, 0.05], rng.uniform(0.6, 0.97, TREATMENTS - 2)])[treatment]
    lasts = np.concatenate([[5.0, 5.0], rng.uniform(8.0, 30.0, TREATMENTS - 2)])[treatment]
    held = kill[:, None] / (1.0 + np.exp((days - lasts[:, None]) / 3.0)) * (days > 0)
    wave = 1.0 + 1.5 * np.exp(-(((days - 12.0) / 9.0) ** 2))
    level = np.exp(rng.normal(0.0, 0.3, BLOCKS))[block]
    pests = 25.0 * level[:, None] * wave * (1.0 - held)
    larvae = rng.poisson(pests * rng.gamma(3.0, 1.0 / 3.0, pests.shape))
    beetles = rng.poisson(2.5 * (1.0 - 0.4 * held) * rng.gamma(2.0, 0.5, pests.shape))
    logit = pests.cumsum(axis=1) / 120.0 - 3.5 + rng.normal(0.0, 0.3, pests.shape)
    eaten = np.rint(100.0 / (1.0 + np.exp(-logit))).astype(int)
    return np.stack([larvae, beetles, eaten], axis=-1).astype(object)


def _table(path: Path, header: Sequence[str], rows: Iterable[Sequence[object]]) -> None:
    with path.open("w", newline="", encoding="utf-8") as stream:
        writer = csv.writer(stream, lineterminator="\n")
        writer.writerow(header)
        writer.writerows(rows)


@dataclass(frozen=True)
class Cost:
    """Seconds a trial: of the workers' CPU, and on the clock."""

    cpu: float
    clock: float


def cost_of(root: Path, trials: int, days: Sequence[int], first: int) -> Cost:
    """Report new trials on two processes, tables and record only (tests only: the record)."""
    paths = [
        random_trial(root / f"{len(days)}-{first + i}", first + i, days) for i in range(trials)
    ]
    before, started = _workers_cpu(), time.perf_counter()
    done = trialkit.report_trials(paths, root / "out", formats=FORMATS, jobs=JOBS)
    clock, cpu = time.perf_counter() - started, _workers_cpu() - before
    failed = [item for item in done if not item.written]
    if failed:
        raise SystemExit(f"{failed[0].name}: {failed[0].problems[0]}")
    return Cost(cpu / trials, clock / trials)


def _workers_cpu() -> float:
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def parts(root: Path, trials: int) -> tuple[dict[str, float], int]:
    """CPU milliseconds a trial of each part in this process, and the number of responses."""
    from trialkit.findings import make_findings
    from trialkit.record import make_record, write_record
    from trialkit.report import write_report
    from trialkit.rows import Tables

    spent = dict.fromkeys(("read", "analyse", "findings", "record", "tables"), 0.0)
    made, responses = datetime(2026, 1, 1, tzinfo=UTC), 0
    for i in range(trials):
        path = random_trial(root / f"part-{i}", 5000 + i, DAYS)
        marks = [time.process_time()]
        trial = trialkit.read_trial(path)
        marks.append(time.process_time())
        analysis = trialkit.analyse(trial)
        marks.append(time.process_time())
        tables = Tables(analysis)
        findings = make_findings(analysis, tables)
        marks.append(time.process_time())
        record = make_record(analysis, findings, made, tables)
        write_record(record, root / "record.json")
        marks.append(time.process_time())
        folder = root / "tables"
        write_report(analysis, findings, folder, FORMATS, made=made)
        marks.append(time.process_time())
        for name, seconds in zip(spent, np.diff(marks), strict=True):
            spent[name] += 1000.0 * float(seconds) / trials
        responses = len(analysis.responses)
    return spent, responses


def main() -> None:
    """Print all figures."""
    given = [word for word in sys.argv[1:] if word.isdigit()]
    trials = max(2, int(given[0]) if given else 40)
    with tempfile.TemporaryDirectory() as folder:
        root = Path(folder)
        cost_of(root, 2, DAYS, 9000)  # loads what is loaded once
        half = cost_of(root, trials // 2, DAYS, 0)
        full = cost_of(root, trials, DAYS, 1000)
        short = cost_of(root, trials // 2, HALF_THE_DAYS, 3000)
        spent, responses = parts(root, max(2, min(trials // 4, 20)))
    print(f"{trials} trials of {responses} responses, {JOBS} processes: a trial takes")
    print(f"  {full.cpu:.3f} s CPU, {full.clock:.3f} s on the clock;")
    print(f"  1,000 such trials: {1000 * full.clock / 60:.1f} min on the clock here and now,")
    print(f"  {1000 * full.cpu / JOBS / 60:.1f} min where nothing else runs on {JOBS} cores")
    print(f"CPU of {trials} trials over {trials // 2}, a trial: {full.cpu / half.cpu:.2f} times")
    fewer = 3 * len(HALF_THE_DAYS) + 4
    print(
        f"CPU of {responses} responses over {fewer}, a response: "
        f"{full.cpu / responses / (short.cpu / fewer):.2f} times"
    )
    print("CPU of the parts: " + ", ".join(f"{name} {ms:.0f} ms" for name, ms in spent.items()))


if __name__ == "__main__":
    main()
