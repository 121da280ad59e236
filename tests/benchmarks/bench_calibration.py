"""Coverage of intervals of ratios where plots of different groups vary differently.

Run by hand: ``python tests/benchmarks/bench_calibration.py [--sims N] [TABLE ...]``. The same
invented trials (randomised blocks, 6 x 4 unless said) go through ``course_draws``. Tables:
``equal`` (one aggregation k for all), ``trend`` (variance that rises with
a power of the mean below 2, as Taylor's law has it), ``unequal`` (k of its own for each group),
``percent`` (beta-distributed severities), ``fewer`` (other sizes, completely randomised, gaps),
``falls`` (change from before to after over that of the first group, and the day on which the
reduction falls below 80 %), ``splits`` (main plots and strips that vary too).
"""

from __future__ import annotations

import argparse
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy import special

from drawn_courses import course_draws
from trialkit.inference.design.layout import Layout, completely_randomised, randomised_blocks

FloatArray = NDArray[np.float64]

#: True means of the groups as shares of the first.
LEFT = np.array([1.0, 1.0, 0.6, 0.3, 0.15, 0.05])
BLOCK_SPREAD = 0.3
DRAWS = 1000


@dataclass(frozen=True, kw_only=True)
class Cell:
    """One kind of trial; ``shape`` gives the gamma shapes of plots from their means (groups)."""

    label: str
    mean: float
    shape: Callable[[FloatArray], FloatArray]
    days: int = 1
    groups: int = 6
    blocks: int = 4
    blocked: bool = True
    missing: int = 0
    strength: float = 0.0
    step: float = 1.0
    examined: int = 0

    @property
    def layout(self) -> Layout:
        """One plot of each group in each block, or as many plots in no blocks."""
        treatment = np.tile(np.arange(self.groups), self.blocks)
        if not self.blocked:
            return completely_randomised(treatment, self.groups)
        block = np.repeat(np.arange(self.blocks), self.groups)
        return randomised_blocks(treatment, block, self.groups)

    def trial(self, rng: np.random.Generator) -> tuple[FloatArray, FloatArray]:
        """Plot values (n, days), and the true ratios to the first group."""
        layout = self.layout
        level = np.resize(LEFT, self.groups)[layout.treatment] * self.mean
        block = np.repeat(np.arange(self.blocks), self.groups)
        place = rng.normal(0.0, BLOCK_SPREAD if self.blocked else 0.0, self.blocks)[block]
        shared = rng.standard_normal((layout.n_plots, 1))
        own = rng.standard_normal((layout.n_plots, self.days))
        uniform = np.clip(special.ndtr(np.sqrt(0.5) * (shared + own)), 1e-12, 1.0 - 1e-12)
        if self.strength:
            chance = special.expit(special.logit(level / 100.0) + place)[:, None]
            parts = chance * self.strength, (1.0 - chance) * self.strength
            values = special.betaincinv(*parts, uniform)
            if self.examined:
                values = rng.binomial(self.examined, values) / self.examined
            values = np.round(100.0 * values / self.step) * self.step
            truth = np.array([chance[layout.treatment == g].mean() for g in range(self.groups)])
        else:
            shape = self.shape(level)[:, None]
            factor = special.gammaincinv(shape, uniform) / shape
            values = rng.poisson((level * np.exp(place))[:, None] * factor).astype(np.float64)
            truth = np.resize(LEFT, self.groups)
        gone = rng.choice(layout.n_plots, self.missing, replace=False)
        values[gone] = np.nan
        return values, truth / truth[0]


def drawn_means(cell: Cell, values: FloatArray, seed: int) -> FloatArray:
    """Draws of the means of a trial."""
    kind: Literal["count", "percent"] = "percent" if cell.strength else "count"
    items = np.full(values.shape, float(cell.examined)) if cell.examined else None
    return course_draws(cell.layout, values, kind=kind, items=items, draws=DRAWS, seed=seed).means


def measure(cell: Cell, sims: int) -> tuple[FloatArray, float, FloatArray]:
    """Coverage by group, rejections of a true ratio of 1, and median log upper limits."""
    rng = np.random.default_rng(7)
    layout = cell.layout
    inside, wrong, upper = [], [], []
    for trial in range(sims):
        values, truth = cell.trial(rng)
        plain = np.array(
            [np.nanmean(values[layout.treatment == g], axis=0) for g in range(cell.groups)]
        )
        known = plain[0] > 0.0
        means = drawn_means(cell, values, trial)[:, :, known]
        ratio = means / means[:, :1]
        low, high = np.quantile(ratio, [0.025, 0.975], axis=0)
        # A group of zeros has the lower limit 0, as in the analysis.
        low = np.where(plain[:, known] > 0.0, low, 0.0)
        goal = truth[:, None]
        inside.append(((low <= goal) & (goal <= high)).T)
        wrong.append((low[1] > 1.0) | (high[1] < 1.0))
        upper.append(np.log(high).T)
    return (
        100.0 * np.concatenate(inside).mean(axis=0)[1:],
        100.0 * float(np.concatenate(wrong).mean()),
        np.median(np.concatenate(upper), axis=0)[1:],
    )


def same(k: float) -> Callable[[FloatArray], FloatArray]:
    """One aggregation for all."""
    return lambda level: np.full(level.shape, k)


def taylor(a: float, b: float) -> Callable[[FloatArray], FloatArray]:
    """Variance ``a * mean**b``."""
    return lambda level: level**2 / np.maximum(a * level**b - level, 1e-3 * level)


def own(*k: float) -> Callable[[FloatArray], FloatArray]:
    """An aggregation for each group, groups in turn."""
    return lambda level: np.resize(np.array(k), level.size)


def _tables() -> dict[str, list[Cell]]:
    equal = [
        Cell(label=f"mean {m:g}, k {k:g}, {d} day(s)", mean=m, shape=same(k), days=d)
        for m, k, d in [
            (0.5, 1, 1), (2, 1, 1), (5, 0.3, 1), (5, 0.5, 1), (5, 1, 1), (5, 3, 1), (20, 0.3, 1),
            (20, 0.5, 1), (20, 1, 1), (20, 3, 1), (100, 0.3, 1), (100, 1, 1), (100, 5, 1),
            (200, 3, 1), (5, 1, 4), (20, 0.5, 4), (20, 1, 4), (20, 3, 4), (100, 5, 4),
        ]
    ]  # fmt: skip
    trend = [
        Cell(label=f"{name}, mean {m:g}, {d} day(s)", mean=m, shape=shape, days=d)
        for name, shape in [
            ("variance 3 x mean", taylor(3.0, 1.0)),
            ("variance 8 x mean", taylor(8.0, 1.0)),
            ("variance 2 x mean^1.5", taylor(2.0, 1.5)),
        ]
        for m, d in [(20.0, 1), (100.0, 1), (100.0, 4)]
    ]
    unequal = [
        Cell(label=f"{name}, mean {m:g}, {d} day(s)", mean=m, shape=shape, days=d)
        for name, shape in [
            ("k 0.5, others 3", own(0.5, 3, 3, 3, 3, 3)),
            ("k 3, 3, others 0.5", own(3, 3, 0.5, 0.5, 0.5, 0.5)),
            ("k 5, 5, 3, 2, 1, 0.5", own(5, 5, 3, 2, 1, 0.5)),
            ("k 1, 2, 1, 2, 1, 2", own(1, 2, 1, 2, 1, 2)),
        ]
        for m, d in [(20.0, 1), (100.0, 1), (100.0, 4)]
    ]
    percent = [
        Cell(
            label=f"severity {m:g} %, strength {s:g}, step {step:g}, {d} day(s)",
            mean=m, shape=same(1.0), strength=s, step=step, days=d,
        )
        for m, s, step, d in [
            (10, 100, 0.1, 1), (10, 20, 0.1, 1), (10, 20, 1, 1), (30, 10, 1, 1), (50, 50, 1, 1),
            (50, 10, 1, 1), (50, 10, 5, 1), (90, 50, 1, 1), (90, 10, 1, 1), (50, 10, 1, 4),
        ]
    ]  # fmt: skip
    percent += [
        Cell(
            label=f"share {m:g} %, strength {s:g}, of {n} items, {d} day(s)",
            mean=m, shape=same(1.0), strength=s, step=1e-6, examined=n, days=d,
        )
        for m, s, n, d in [
            (10, 20, 50, 1), (30, 10, 20, 1), (30, 1000, 25, 1), (60, 20, 50, 1), (30, 10, 50, 4),
        ]
    ]  # fmt: skip
    fewer = [
        Cell(label="3 x 4, k 1", mean=20, shape=same(1.0), groups=3),
        Cell(label="3 x 4, k 3", mean=20, shape=same(3.0), groups=3),
        Cell(label="12 x 4, k 1", mean=20, shape=same(1.0), groups=12),
        Cell(label="6 x 6, k 1", mean=20, shape=same(1.0), blocks=6),
        Cell(label="6 x 6, k 3", mean=100, shape=same(3.0), blocks=6),
        Cell(label="no blocks, k 0.5", mean=20, shape=same(0.5), blocked=False),
        Cell(label="no blocks, k 1", mean=20, shape=same(1.0), blocked=False),
        Cell(label="no blocks, k 3", mean=5, shape=same(3.0), blocked=False),
        Cell(label="2 plots missing, k 1", mean=20, shape=same(1.0), missing=2),
        Cell(label="4 plots missing, k 3", mean=100, shape=same(3.0), missing=4),
    ]
    return {
        "equal": equal, "trend": trend, "unequal": unequal, "percent": percent, "fewer": fewer,
    }  # fmt: skip


TABLES = _tables()
#: Days of the falling course; the first is before treatment. Reduction in percent.
DAYS = np.array([0.0, 3.0, 7.0, 14.0, 21.0])
REDUCTION = np.array([0.0, 90.0, 92.0, 86.0, 60.0])
FALLS_ON = 14.0 + 7.0 * 6.0 / 26.0


def falls(reduction: FloatArray) -> FloatArray:
    """Day on which a reduction (draws, days) falls below 80 %, linear between days.

    0 where it is never as high, infinite where it is at the end.
    """
    high = reduction >= 80.0
    last = high.shape[1] - 1 - np.argmax(high[:, ::-1], axis=1)
    ever = high.any(axis=1)
    after = np.minimum(last + 1, high.shape[1] - 1)
    row = np.arange(len(reduction))
    here, there = reduction[row, last], reduction[row, after]
    drop = np.where(here > there, here - there, 1.0)
    day = DAYS[1:][last] + (DAYS[1:][after] - DAYS[1:][last]) * (here - 80.0) / drop
    day = np.where(last == high.shape[1] - 1, np.inf, day)
    return np.where(ever, day, 0.0)


def measure_falls(mean: float, k: float, blocks: int, together: float, sims: int) -> None:
    """Print coverage of changes and of the day of the fall, treated as half of six groups."""
    groups = 6
    treatment = np.tile(np.arange(groups), blocks)
    layout = randomised_blocks(treatment, np.repeat(np.arange(blocks), groups), groups)
    left = np.where(np.arange(groups)[:, None] % 2 == 1, 1.0 - REDUCTION / 100.0, 1.0)
    level = mean * left[treatment]
    rng = np.random.default_rng(5)
    inside: dict[str, list[bool]] = {"change": [], "plain": [], "day": [], "day, change": []}
    for trial in range(sims):
        shared = rng.standard_normal((treatment.size, 1)) * np.sqrt(together)
        fresh = rng.standard_normal(level.shape) * np.sqrt(1.0 - together)
        uniform = np.clip(special.ndtr(shared + fresh), 1e-12, 1.0 - 1e-12)
        place = np.exp(rng.normal(0.0, BLOCK_SPREAD, blocks))[layout.blocking[0][1]]
        factor = special.gammaincinv(k, uniform) / k
        values = rng.poisson(level * place[:, None] * factor).astype(np.float64)
        means = course_draws(layout, values, draws=DRAWS, seed=trial).means
        ratio = means[:, 1] / means[:, 0]
        change = ratio[:, 1:] / ratio[:, :1]
        for what, drawn in (("plain", ratio[:, 1:]), ("change", change)):
            low, high = np.quantile(drawn, [0.025, 0.975], axis=0)
            truth = 1.0 - REDUCTION[1:] / 100.0
            inside[what].extend((low <= truth) & (truth <= high))
            days = np.sort(falls(100.0 * (1.0 - drawn)))
            size = len(days)
            early, late = days[int(0.025 * size)], days[int(0.975 * size)]
            key = "day" if what == "plain" else "day, change"
            inside[key].append(bool(early <= FALLS_ON <= late))
    row = [f"{100.0 * np.mean(inside[key]):.1f}" for key in inside]
    label = f"mean {mean:g}, k {k:g}, 6 x {blocks}, together {together:g}"
    print("| " + " | ".join([label, *row]) + " |", flush=True)


def show_falls(sims: int) -> None:
    """Print the table of falling courses."""
    print("\n## falls\n")
    print("| trial | change | plain | day | day, change |")
    print("| --- | --: | --: | --: | --: |")
    for mean, k, blocks, together in [
        (20.0, 1.0, 4, 0.5), (20.0, 3.0, 4, 0.5), (20.0, 3.0, 4, 0.0), (20.0, 3.0, 4, 0.9),
        (100.0, 0.5, 4, 0.5), (100.0, 5.0, 6, 0.5), (5.0, 3.0, 6, 0.5),
    ]:  # fmt: skip
        measure_falls(mean, k, blocks, together, sims)


def measure_splits(
    shape: tuple[int, int, int], k_main: float, k_sub: float, strips: bool, told: bool, sims: int
) -> None:
    """Print coverage of ratios to the first treatment, of its own main plots and of others.

    ``shape`` is levels of the main factor, levels of the sub factor, blocks; ``told`` whether the
    draws know which plots share a main plot or a strip.
    """
    mains, subs, blocks = shape
    main = np.tile(np.repeat(np.arange(mains), subs), blocks)
    sub = np.tile(np.arange(subs), mains * blocks)
    block = np.repeat(np.arange(blocks), mains * subs)
    layout = randomised_blocks(main * subs + sub, block, mains * subs)
    units = [block * mains + main, block * subs + sub][: 2 if strips else 1]
    left = np.resize([1.0, 1.0, 0.4, 0.1], subs)
    rng = np.random.default_rng(3)
    inside: dict[str, list[bool]] = {"own": [], "other": [], "own null": [], "other null": []}
    for trial in range(sims):
        level = 50.0 * left[sub] * np.exp(rng.normal(0.0, BLOCK_SPREAD, blocks))[block]
        for unit in units:
            level = level * rng.gamma(k_main, 1.0 / k_main, unit.max() + 1)[unit]
        values = rng.poisson(level * rng.gamma(k_sub, 1.0 / k_sub, level.size)).astype(np.float64)
        means = course_draws(
            layout, values, unit=1.0, units=units if told else (), draws=DRAWS, seed=trial
        ).means[:, :, 0]
        low, high = np.quantile(means / means[:, :1], [0.025, 0.975], axis=0)
        for g in range(1, mains * subs):
            held = bool(low[g] <= left[g % subs] <= high[g])
            where = "own" if g < subs else "other"
            inside[where].append(held)
            if left[g % subs] == 1.0:
                inside[f"{where} null"].append(not held)
    row = [f"{100.0 * np.mean(inside[key]):.1f}" for key in inside]
    kind = "strips" if strips else "main plots"
    label = f"{mains} x {subs} x {blocks}, k {k_main:g} of {kind}, {k_sub:g} of plots"
    print("| " + " | ".join([label, "yes" if told else "no", *row]) + " |", flush=True)


def show_splits(sims: int) -> None:
    """Print the table of split-plots and strip-plots."""
    print("\n## splits\n")
    print("| trial | told | own | other | own rejected | other rejected |")
    print("| --- | --- | --: | --: | --: | --: |")
    for shape, k_main, k_sub, strips in [
        ((2, 4, 4), 3.0, 5.0, False), ((4, 3, 4), 3.0, 5.0, False), ((3, 4, 4), 1e6, 2.0, False),
        ((3, 4, 4), 2.0, 10.0, False), ((3, 4, 6), 5.0, 5.0, False), ((3, 4, 4), 5.0, 5.0, True),
    ]:  # fmt: skip
        for told in (False, True):
            measure_splits(shape, k_main, k_sub, strips, told, sims)


def main() -> None:
    """Print the tables asked for, as they stand in calibration.md."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("tables", nargs="*", help=", ".join(TABLES))
    parser.add_argument("--sims", type=int, default=400)
    asked = parser.parse_args()
    for name in asked.tables or [*TABLES, "falls", "splits"]:
        if name == "falls":
            show_falls(asked.sims // 2)
            continue
        if name == "splits":
            show_splits(asked.sims)
            continue
        print(f"\n## {name}\n")
        print("| trial | 0 | 40 | 70 | 85 | 95 | rejected | log upper, 85 |")
        print("| --- | --: | --: | --: | --: | --: | --: | --: |")
        for cell in TABLES[name]:
            sims = asked.sims // (2 if cell.days > 1 else 1)
            covered, rejected, upper = measure(cell, sims)
            levels = [f"{c:.1f}" for c in covered[:5]] + [""] * max(0, 5 - covered.size)
            limit = f"{upper[3]:.2f}" if upper.size > 3 else ""
            row = [cell.label, *levels, f"{rejected:.1f}", limit]
            print("| " + " | ".join(row) + " |", flush=True)


if __name__ == "__main__":
    main()
