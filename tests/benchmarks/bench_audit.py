"""Honest printed tables and planted faults: how often the audit calls a table inconsistent.

Run by hand: ``python tests/benchmarks/bench_audit.py [TABLES [PLANTED]]``; what it printed stands
in ``audit.md``.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from desk.printed_tables import FAULTS, honest_table, plant
from trialkit.desk.audit import Verdict, audit_table

#: Seeds before these were looked at while rules were chosen.
FIRST = 10_000


def main(tables: int, planted_in: int) -> None:
    for plain, name in ((True, "everything printed"), (False, "as people print")):
        false = 0
        for seed in range(tables):
            table = honest_table(np.random.default_rng([FIRST + seed, plain]), plain=plain)
            false += bool(audit_table(table).of(Verdict.INCONSISTENT))
        print(f"| none | {name} | {false} of {tables} |", flush=True)
        for fault in FAULTS:
            hit = planted = 0
            for seed in range(planted_in):
                rng = np.random.default_rng([FIRST + seed, 7])
                made = plant(rng, honest_table(rng, plain=plain), fault)
                if made is not None:
                    planted += 1
                    hit += bool(audit_table(made).of(Verdict.INCONSISTENT))
            print(f"| {fault} | {name} | {hit} of {planted} |", flush=True)


if __name__ == "__main__":
    numbers = [int(text) for text in sys.argv[1:]]
    main(*numbers, *(1000, 500)[len(numbers) :])
