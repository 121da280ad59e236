"""How often a field of uneven richness passes for movement between plots, and movement is found.

Run: ``PYTHONPATH=tests python tests/benchmarks/bench_neighbours.py [trials]``; prints the table of
neighbours.md. "before" takes treatments, blocks and the plot's own past out, "now" also a trend
along rows and columns and what the plot and its neighbours held before treatment.
"""

from __future__ import annotations

import sys
from typing import Any

import numpy as np

from known_truth.field import draw, mean_one_effects, neighbour_means, randomised_blocks
from trialkit.inference.permutation.spatial import TakenOut, neighbour_test

LEFT = 1.0 - np.array([0.0, 30.0, 60.0, 85.0, 90.0, 95.0]) / 100.0
SETTINGS: tuple[tuple[str, dict[str, Any]], ...] = (
    ("even field", {}),
    ("3.3-fold along the blocks", {"rise": 3.3}),
    ("3.3-fold across the blocks", {"rise": 3.3, "way": "row"}),
    ("3.3-fold along the blocks, k = 10", {"rise": 3.3, "k": 10.0}),
    ("3.3-fold hump, k = 10", {"rise": 3.3, "k": 10.0, "shape": "hump"}),
    ("3.3-fold step", {"rise": 3.3, "shape": "step"}),
    ("a fifth of the neighbours moves in", {"inflow": 0.2}),
    ("half of the neighbours move in", {"inflow": 0.5}),
    ("half move in, 3.3-fold along the blocks", {"inflow": 0.5, "rise": 3.3}),
)


def shares(
    trials: int,
    rise: float = 1.0,
    way: str = "column",
    shape: str = "line",
    inflow: float = 0.0,
    k: float = 3.0,
) -> np.ndarray:
    rng = np.random.default_rng(3)
    found = []
    for seed in range(trials):
        field = randomised_blocks(rng, LEFT.size, 4)
        row, column = field.row.astype(float), field.column.astype(float)
        along = row if way == "row" else column
        place = (along - along.min()) / np.ptp(along)
        place = {"line": place, "hump": 4 * place * (1 - place), "step": place > 0.5}[shape]
        rich = 60.0 * rise**place * mean_one_effects(rng, 4, 0.3)[field.block]
        own = rich * LEFT[field.treatment]
        start, early = draw(rng, rich, k), draw(rng, own, k)
        around = neighbour_means(field, early)
        late = draw(rng, own + inflow * around, k)
        logs = np.log10(np.column_stack([start, neighbour_means(field, start)]) + 1.0)
        beside = np.column_stack([row - row.mean(), column - column.mean(), logs])
        p = [
            neighbour_test(
                late,
                around,
                field.treatment,
                apart_from=TakenOut(own_before=early, block=field.block, beside=more),
                draws=199,
                seed=seed,
            ).p
            for more in (None, beside)
        ]
        found.append(np.array(p) < 0.05)
    return 100.0 * np.mean(found, axis=0)


def main(trials: int) -> None:
    print("| field | called movement at 5 %, before | now |")
    print("| --- | --- | --- |")
    for name, asked in SETTINGS:
        before, now = shares(trials, **asked)
        print(f"| {name} | {before:.1f} | {now:.1f} |", flush=True)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 400)
