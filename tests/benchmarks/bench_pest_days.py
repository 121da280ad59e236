"""How often pest-days show a product that works, and one that does not, by scale.

Run: ``python tests/benchmarks/bench_pest_days.py [trials]``; prints the table of pest_days.md.
"before" is Dunnett's test on pest-days as they are, "now" on the scale of the rule.
"""

from __future__ import annotations

import sys
from typing import Any

import numpy as np

from trialkit.inference.comparisons.procedures import Method, compare
from trialkit.inference.design.layout import randomised_blocks
from trialkit.inference.design.scales import choose_area_transform, choose_transform, forward
from trialkit.inference.normal.linear import fit_layout
from trialkit.measures.pest_days import pest_days

DAYS = np.array([-1.0, 3.0, 7.0, 14.0, 21.0, 28.0])
SETTINGS: tuple[tuple[str, dict[str, Any]], ...] = (
    ("usual (60 to 150, k = 2, four blocks)", {}),
    ("low (3 to 4, k = 1)", {"low": 3.0, "high": 4.0, "k": 1.0}),
    ("k = 0.5", {"k": 0.5}),
    ("three blocks", {"blocks": 3}),
    ("six blocks", {"blocks": 6}),
)
#: Share left by the untreated, a product of 83 %, a useless one and others.
MIXED = (1.0, 0.17, 1.0, 0.5, 0.3, 0.1, 0.05)


def declared(
    trials: int,
    left: tuple[float, ...],
    low: float = 60.0,
    high: float = 150.0,
    k: float = 2.0,
    blocks: int = 4,
) -> np.ndarray:
    """Which products are called different in each trial, (trials, scales, products)."""
    rng = np.random.default_rng(11)
    t = len(left)
    layout = randomised_blocks(np.tile(np.arange(t), blocks), np.repeat(np.arange(blocks), t), t)
    share = np.where(DAYS > 0, np.array(left)[:, None], 1.0)
    level = np.concatenate([[low], np.linspace(low, high, DAYS.size - 1)])
    shown = []
    for _ in range(trials):
        effect = np.exp(rng.normal(0, 0.3, (blocks, 1, 1)) + rng.normal(0, 0.3, (blocks, t, 1)))
        mean = level * share * effect
        counts = rng.poisson(mean * rng.gamma(k, 1.0 / k, mean.shape)).reshape(-1, DAYS.size)
        areas = pest_days(DAYS, counts.astype(float)).pest_days
        own = choose_transform("count", counts.astype(float), layout.treatment).transform
        rule = choose_area_transform(areas, layout.treatment, own).transform
        table = np.column_stack([areas, forward(rule, areas)])
        found = compare(fit_layout(layout, table)[0], Method.DUNNETT, control=0)
        shown.append(found.p_adjusted.T < 0.05)
    return np.array(shown)


def main(trials: int) -> None:
    print(
        "| setting | control of 83 % shown, before | now | useless product declared beside it, "
        "before | now | any of six declared where none works, before | now |"
    )
    print("| --- | --- | --- | --- | --- | --- | --- |")
    for name, asked in SETTINGS:
        works = 100.0 * declared(trials, (1.0, 0.17, 1.0, 0.5, 0.3, 0.1, 0.05), **asked).mean(
            axis=0
        )
        none = 100.0 * declared(trials, (1.0,) * 7, **asked).any(axis=2).mean(axis=0)
        cells = (*works[:, 0], *works[:, 1], *none)
        print(f"| {name} | " + " | ".join(f"{cell:.1f}" for cell in cells) + " |", flush=True)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 400)
