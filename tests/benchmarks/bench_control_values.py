"""Coverage of intervals for percentages and pest-days, and for what known trials were made with.

Run by hand, with the folder of tests on the path:
``PYTHONPATH=tests python tests/benchmarks/bench_control_values.py [--sims N]``. Percentages are
beta-distributed severities rounded to the step of the scorer; pest-days are areas under courses of
negative binomial counts.
"""

from __future__ import annotations

import argparse
from dataclasses import replace

import numpy as np
from bench_control_intervals import BASE, BLOCK_SPREAD, Cell, Result, draw_counts, judge
from numpy.typing import NDArray

from drawn_courses import course_draws
from known_truth import recovery
from trialkit.inference.design.layout import Layout
from trialkit.measures.pest_days import pest_days

FloatArray = NDArray[np.float64]
DAYS = np.array([-1.0, 3.0, 7.0, 14.0, 21.0, 28.0])


def _means(layout: Layout, values: FloatArray) -> FloatArray:
    return np.array([values[layout.treatment == g].mean(axis=0) for g in range(6)])


def _percent(means: FloatArray) -> FloatArray:
    with np.errstate(divide="ignore", invalid="ignore"):
        found = 100.0 * (1.0 - means / means[:1])
    return np.where(np.isfinite(found), found, np.nan)


def severities(level: float, strength: float, step: float, sims: int) -> Result:
    """Severities in percent: mean of the untreated, strength of the beta, step; one day."""
    cell = replace(BASE, days=1)
    layout, rng = cell.layout, np.random.default_rng(1)
    percents, draws = [], []
    left = 1.0 - cell.controls[layout.treatment] / 100.0
    for trial in range(sims):
        place = np.exp(rng.normal(0.0, BLOCK_SPREAD, cell.blocks))[layout.blocking[0][1]]
        mean = np.clip(level / 100.0 * left * place, 0.0, 0.97)[:, None]
        values = rng.beta(strength * mean, strength * (1.0 - mean)) * 100.0
        values = np.round(values / step) * step
        drawn = course_draws(layout, values, kind="percent", seed=trial).means
        percents.append(_percent(_means(layout, values)))
        draws.append(100.0 * (1.0 - drawn / drawn[:, :1]))
    return judge(percents, draws, cell.controls)


def areas(cell: Cell, sims: int) -> Result:
    """Reduction of pest-days over six assessments."""
    layout, rng = cell.layout, np.random.default_rng(1)
    course = np.repeat(1.0 - cell.controls[:, None] / 100.0, DAYS.size, axis=1)
    course[:, 0] = 1.0
    truth = _percent(pest_days(DAYS, course).pest_days[:, None])[:, 0]
    percents, draws = [], []
    for trial in range(sims):
        plots = pest_days(DAYS, draw_counts(cell, rng)).pest_days[:, None]
        drawn = course_draws(layout, plots, kind="positive", seed=trial).means
        percents.append(_percent(_means(layout, plots)))
        draws.append(100.0 * (1.0 - drawn / drawn[:, :1]))
    return judge(percents, draws, truth)


def _show(label: str, found: Result) -> None:
    print(f"{label:44}{found.overall:6.1f} covered{found.rejected:6.1f} rejected", flush=True)


def main() -> None:
    """Print all tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sims", type=int, default=500)
    sims = parser.parse_args().sims
    for level, strength, step in [
        (2.0, 50.0, 0.5),
        (2.0, 50.0, 1.0),
        (5.0, 30.0, 1.0),
        (15.0, 20.0, 1.0),
        (30.0, 20.0, 5.0),
        (30.0, 10.0, 1.0),
        (60.0, 10.0, 1.0),
        (10.0, 100.0, 0.1),
    ]:
        found = severities(level, strength, step, sims)
        _show(f"severity {level:g} %, strength {strength:g}, step {step:g}", found)
    for mean, k, together in [
        (20, 1, 0.5),
        (2, 1, 0.5),
        (100, 3, 0.5),
        (100, 0.5, 0.9),
        (20, 5, 0),
    ]:
        cell = Cell(mean=mean, k=k, together=together, days=6)
        _show(f"pest-days, mean {mean:g}, k {k:g}, together {together:g}", areas(cell, sims))
    seeds = range(1000, 1000 + sims)
    for name, table in (
        ("persistence of 9 and 27 days", recovery.persistences(seeds)),
        ("antagonism of 15 points, days 7 and 14", recovery.mixtures(seeds, -15.0)),
        ("mixture as expected, days 7 and 14", recovery.mixtures(seeds, 0.0)),
        ("loss of 0.5 per 100, over and within", recovery.losses(seeds)),
    ):
        found_by_seed = table[0]
        print(
            f"{name:44} mean {found_by_seed.mean(axis=0).round(2)}"
            f" median {np.median(found_by_seed, axis=0).round(2)}"
            f" covered {[(100.0 * part.mean(axis=0)).round(1) for part in table[1:2]]}"
            f" called {[(100.0 * part.mean(axis=0)).round(1) for part in table[2:]]}",
            flush=True,
        )
    for inflow in (0.0, 0.5, 1.5):
        share = 100.0 * float((recovery.neighbours(seeds, inflow) <= 0.05).mean())
        print(f"neighbours, inflow {inflow:g}: {share:.1f} % found", flush=True)


if __name__ == "__main__":
    main()
