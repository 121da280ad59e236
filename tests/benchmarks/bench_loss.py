"""How often slopes of yield on pest-days hold the loss, as fitted and corrected.

Run: ``PYTHONPATH=tests python tests/benchmarks/bench_loss.py [trials]``; prints the table of
loss.md. "before" is the least-squares line over treatments and its lack of fit.
"""

from __future__ import annotations

import sys
from typing import Any

import numpy as np

from known_truth.loss import loss_trial
from trialkit.inference.design.layout import randomised_blocks
from trialkit.inference.normal.regression_on_covariate import regress_within
from trialkit.measures.pest_days import pest_days

SETTINGS: tuple[tuple[str, dict[str, Any]], ...] = (
    ("yield follows the counts themselves, k = 3", {"from_counts": True}),
    ("yield follows the true level, k = 3", {}),
    ("k = 1", {"k": 1.0}),
    ("k = 0.5, six blocks", {"k": 0.5, "blocks": 6}),
    ("low (6 a plot)", {"untreated": 6.0, "loss_per_100": 5.0}),
    ("no loss", {"loss_per_100": 0.0}),
    ("loss four times as large", {"loss_per_100": 2.0}),
    ("one product alone has control", {"control": (0.0, 0.0, 0.0, 0.0, 0.0, 90.0)}),
)


def line(name: str, asked: dict[str, Any], trials: int) -> str:
    held, slopes, lacking, unbounded = [], [], [], 0
    for seed in range(trials):
        trial = loss_trial(seed, **{"from_counts": False, **asked})
        field = trial.field
        layout = randomised_blocks(field.treatment, field.block, int(field.treatment.max()) + 1)
        counted = pest_days(trial.days, trial.counts).pest_days
        found = regress_within(layout, trial.yields, counted)
        before, after = found.over_treatments, found.corrected
        true = -trial.loss_per_100 / 100.0
        unbounded += np.isnan(after.lower)
        inside = np.isnan(after.lower) or after.lower <= true <= after.upper
        held.append((before.lower <= true <= before.upper, inside))
        lacking.append((found.lack_of_fit_p < 0.05, after.lack_of_fit_p < 0.05))
        slopes.append((100.0 * before.slope, 100.0 * after.slope, 100.0 * true))
    cells = [
        *(f"{100 * share:.1f}" for share in np.mean(held, axis=0)),
        *(f"{slope:.3f}" for slope in np.median(slopes, axis=0)),
        *(f"{100 * share:.1f}" for share in np.mean(lacking, axis=0)),
        f"{100 * unbounded / trials:.1f}",
    ]
    return "| " + " | ".join((name, *cells)) + " |"


def main(trials: int) -> None:
    print(
        "| setting | covers, before | covers, corrected | median slope, before | corrected | true "
        "| lack of fit, before | now | no limits |"
    )
    print("| --- | --- | --- | --- | --- | --- | --- | --- | --- |")
    for name, asked in SETTINGS:
        print(line(name, asked, trials), flush=True)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 400)
