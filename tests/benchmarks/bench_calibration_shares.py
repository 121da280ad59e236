"""Coverage of intervals of ratios of shares k of n: split-plots, strip-plots, change over days.

Run by hand: ``python tests/benchmarks/bench_calibration_shares.py [--sims N] [TABLE ...]``. Main
plots (or both kinds of strips) draw their share from a beta with the correlation given about that
of their block, plots from another beta about that, hits from the binomial; the trials go through
``course_draws`` as the analysis calls it. Tables: ``split_shares`` (split-plots and strip-plots),
``share_changes`` (randomised blocks, change from before to after over that of the first group).
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from drawn_courses import course_draws
from trialkit.inference.design.layout import randomised_blocks

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]

BLOCK_SPREAD = 0.3
DRAWS = 1000
#: True shares of the sub levels over that of the first.
LEFT = np.array([1.0, 1.0, 0.4, 0.1])
#: True shares of groups after treatment over that of the first.
AFTER = np.array([1.0, 1.0, 0.6, 0.3, 0.15, 0.05])


@dataclass(frozen=True, kw_only=True)
class Split:
    """One kind of trial; levels of the main and of the sub factor, and blocks."""

    share: float
    items: tuple[int, int]
    units: float
    plots: float
    shape: tuple[int, int, int] = (3, 4, 4)
    strips: bool = False

    @property
    def label(self) -> str:
        """Of the row."""
        least, most = self.items
        items = f"{least}" if least == most else f"{least} to {most}"
        kind = "strips" if self.strips else "split"
        size = " x ".join(str(n) for n in self.shape)
        return f"{kind} | {size} | {self.share:g} | {items} | {self.units:g} | {self.plots:g}"


def about(
    rng: np.random.Generator, mean: FloatArray, correlation: float, codes: IntArray
) -> FloatArray:
    """Shares from a beta about a mean, alike for plots of the same code."""
    if not correlation:
        return mean
    uniform = rng.uniform(size=int(codes.max()) + 1)[codes]
    size = 1.0 / correlation - 1.0
    drawn = special.betaincinv(size * mean, size * (1.0 - mean), uniform)
    return np.asarray(np.clip(drawn, 1e-9, 1.0 - 1e-9))


def held(draws: FloatArray, truth: FloatArray, seen: FloatArray) -> FloatArray:
    """Whether central 95 % of draws (draws, groups) hold the truth.

    A group in which nothing was hit has the lower limit 0, as in the analysis.
    """
    low, high = np.quantile(draws, [0.025, 0.975], axis=0)
    return np.asarray((np.where(seen > 0.0, low, 0.0) <= truth) & (truth <= high))


def measure_split(cell: Split, sims: int) -> list[float]:
    """Coverage of ratios to the first, own main plots and others; rejections of equal ones."""
    mains, subs, blocks = cell.shape
    block, main, sub = (codes.ravel() for codes in np.indices((blocks, mains, subs)))
    layout = randomised_blocks(main * subs + sub, block, mains * subs)
    units = [block * mains + main, block * subs + sub][: 2 if cell.strips else 1]
    left = np.resize(LEFT, subs)
    equal = left[np.arange(mains * subs) % subs] == 1.0
    own = np.arange(mains * subs) < subs
    equal[0] = own[0] = False
    other = np.arange(mains * subs) >= subs
    groups = [own, other, own & equal, other & equal]
    inside: list[list[float]] = [[], [], [], []]
    rng = np.random.default_rng(3)
    for trial in range(sims):
        level = special.logit(cell.share * left)[sub] + rng.normal(0.0, BLOCK_SPREAD, blocks)[block]
        share = expected = special.expit(level)
        for codes in units:
            share = about(rng, share, cell.units, codes)
        share = about(rng, share, cell.plots, np.arange(block.size))
        items = rng.integers(cell.items[0], cell.items[1] + 1, block.size)
        values = 100.0 * rng.binomial(items, share) / items
        seen = np.bincount(layout.treatment, values).astype(np.float64)
        if seen[0] == 0.0:
            continue
        drawn = course_draws(
            layout, values, kind="percent", items=items.astype(float), units=units,
            draws=DRAWS, seed=trial,
        ).means[:, :, 0]  # fmt: skip
        truth = np.bincount(layout.treatment, expected)
        good = held(drawn / drawn[:, :1], truth / truth[0], seen)
        for rows, where in zip(inside, groups, strict=True):
            rows.extend(good[where])
    kept = [100.0 * float(np.mean(rows)) for rows in inside]
    return [*kept[:2], *(100.0 - part for part in kept[2:])]


def measure_changes(
    share: float, items: int, plots: float, together: float, sims: int
) -> list[float]:
    """Coverage of changes over that of the first group, their rejections, and of plain ratios."""
    groups, blocks = AFTER.size, 4
    block, group = (codes.ravel() for codes in np.indices((blocks, groups)))
    layout = randomised_blocks(group, block, groups)
    rng = np.random.default_rng(4)
    inside: dict[str, list[bool]] = {"change": [], "rejected": [], "plain": []}
    for trial in range(sims):
        place = rng.normal(0.0, BLOCK_SPREAD, blocks)[block]
        left = np.column_stack([np.ones(block.size), AFTER[group]])
        expected = special.expit(special.logit(share * left) + place[:, None])
        shared = rng.standard_normal((block.size, 1)) * np.sqrt(together)
        fresh = rng.standard_normal(left.shape) * np.sqrt(1.0 - together)
        uniform = np.clip(special.ndtr(shared + fresh), 1e-12, 1.0 - 1e-12)
        size = 1.0 / plots - 1.0
        chance = special.betaincinv(size * expected, size * (1.0 - expected), uniform)
        values = 100.0 * rng.binomial(items, chance) / items
        number = np.full(values.shape, float(items))
        means = course_draws(
            layout, values, kind="percent", items=number, draws=DRAWS, seed=trial
        ).means
        seen = np.bincount(group, values[:, 1]).astype(np.float64)
        before, after = (np.bincount(group, day) for day in expected.T)
        before, after = before / before[0], after / after[0]
        ratio = means / means[:, :1]
        moved = held(ratio[:, :, 1] / ratio[:, :, 0], after / before, seen)
        inside["change"].extend(moved[1:])
        inside["rejected"].append(not moved[1])
        inside["plain"].extend(held(ratio[:, :, 1], after, seen)[1:])
    return [100.0 * float(np.mean(rows)) for rows in inside.values()]


def _splits() -> list[Split]:
    every = (0.0, 0.05, 0.2)
    first = [
        Split(share=0.3, items=(n, n), units=units, plots=plots)
        for n, all_plots in (
            (10, (0.02,)), (25, (0.0, 0.02, 0.1, 0.2)), (50, (0.02,)), (100, (0.0, 0.02, 0.1, 0.2)),
        )
        for plots in all_plots
        for units in every
    ]  # fmt: skip
    levels = [
        Split(share=share, items=(50, 50), units=units, plots=plots)
        for share in (0.1, 0.6)
        for plots in (0.0, 0.1)
        for units in every
    ]
    shapes = [
        Split(share=0.3, items=(50, 50), units=units, plots=0.02, shape=shape)
        for shape in ((2, 4, 4), (4, 3, 4), (3, 4, 6), (2, 2, 3))
        for units in every
    ]
    uneven = [Split(share=0.3, items=(10, 100), units=units, plots=0.02) for units in every]
    strips = [
        Split(share=share, items=(n, n), units=units, plots=plots, strips=True)
        for share, n, all_plots in (
            (0.3, 25, (0.0, 0.02, 0.1)), (0.3, 100, (0.0, 0.1)),
            (0.1, 50, (0.1,)), (0.6, 50, (0.1,)),
        )
        for plots in all_plots
        for units in every
    ]  # fmt: skip
    return [*first, *levels, *shapes, *uneven, *strips]


def show_splits(sims: int) -> None:
    """Print the table of split-plots and strip-plots."""
    print("\n## split_shares\n")
    print(
        "| design | size | share | items | in main plots | in plots | own | other | own rejected "
        "| other rejected |"
    )
    print("| --- | --- | --: | --: | --: | --: | --: | --: | --: | --: |")
    for cell in _splits():
        found = " | ".join(f"{value:.1f}" for value in measure_split(cell, sims))
        print(f"| {cell.label} | {found} |", flush=True)


def show_changes(sims: int) -> None:
    """Print the table of changes from before to after."""
    print("\n## share_changes\n")
    print("| share | items | in plots | together | change | rejected | plain |")
    print("| --: | --: | --: | --: | --: | --: | --: |")
    for share, items, plots, together in [
        (0.3, 25, 0.05, 0.0), (0.3, 25, 0.05, 0.5), (0.3, 25, 0.05, 0.9), (0.3, 10, 0.1, 0.9),
        (0.3, 25, 0.02, 0.9), (0.3, 100, 0.1, 0.9), (0.1, 50, 0.1, 0.5), (0.6, 50, 0.1, 0.5),
    ]:  # fmt: skip
        found = measure_changes(share, items, plots, together, sims)
        row = [f"{share:g}", f"{items}", f"{plots:g}", f"{together:g}"]
        print("| " + " | ".join([*row, *(f"{value:.1f}" for value in found)]) + " |", flush=True)


def main() -> None:
    """Print the tables asked for, as they stand in calibration.md."""
    tables = {"split_shares": show_splits, "share_changes": show_changes}
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("tables", nargs="*", help=", ".join(tables))
    parser.add_argument("--sims", type=int, default=400)
    asked = parser.parse_args()
    for name in asked.tables or tables:
        tables[name](asked.sims)


if __name__ == "__main__":
    main()
