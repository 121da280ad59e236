"""How often tests of shares k of n in split-plots and strip-plots reject, and limits hold.

Beta-binomial shares: a main plot (or strip) draws its share from a beta with the correlation given
about the share of its block, each plot from another beta about that, its hits from the binomial.
Logits of blocks have a standard deviation of 0.3. Prints one row a setting; the recorded rows are
in null_strata_shares.md.

    python tests/benchmarks/bench_null_strata_shares.py [trials [first setting]]
"""

from __future__ import annotations

import sys

import numpy as np
from scipy import special

from trialkit.inference.design.layout import Layout, factor, split_plot, strip_plot
from trialkit.inference.glm.share_strata import share_strata
from trialkit.inference.glm.share_strata_limits import share_levels

# share, correlation in larger units, in plots, items from and to, blocks, mains, subs, strips,
# odds of the last main and sub level to those of the first, plots missing at random
COMPLETE = [
    *((mean, units, 0.05, 20, 50, 4, 3, 4, strips, 1, 1) for strips in (False, True)
      for mean in (0.05, 0.15, 0.3, 0.5, 0.7) for units in (0, 0.1, 0.2)),
    *((0.3, 0.1, 0.05, 20, 50, r, a, b, False, 1, 1)
      for r, a, b in ((4, 2, 3), (5, 4, 3), (6, 2, 2), (6, 3, 4))),
    (0.3, 0, 0, 20, 50, 4, 3, 4, False, 1, 1), (0.05, 0, 0, 20, 50, 4, 3, 4, False, 1, 1),
    (0.05, 0.1, 0.02, 20, 20, 4, 3, 4, False, 1, 1),
    (0.05, 0.1, 0.02, 50, 50, 6, 3, 4, False, 1, 1),
    (0.3, 0.1, 0.05, 20, 200, 4, 3, 4, False, 1, 1), (0.3, 0.1, 0.05, 20, 50, 6, 2, 3, True, 1, 1),
    (0.4, 0.05, 0.05, 20, 50, 4, 3, 4, False, 0.3, 0.3),
    (0.4, 0.05, 0.05, 20, 50, 4, 3, 4, True, 0.3, 0.3),
]  # fmt: skip
SETTINGS = [
    *((*setting, 0) for setting in COMPLETE),
    *((mean, units, 0.05, 20, 50, 4, 3, 4, strips, 1, 1, lost) for strips in (False, True)
      for mean, units in ((0.05, 0.1), (0.15, 0.1), (0.3, 0), (0.3, 0.1), (0.3, 0.2), (0.5, 0.1))
      for lost in (2, 5)),
]  # fmt: skip


def beta(rng, mean, correlation, codes):
    """Shares about a mean, alike for plots of the same code."""
    if not correlation:
        return mean
    uniform = rng.uniform(size=(int(codes.max()) + 1, mean.shape[1]))[codes]
    size, mean = 1 / correlation - 1, np.clip(mean, 1e-6, 1 - 1e-6)
    return np.clip(special.betaincinv(size * mean, size * (1 - mean), uniform), 1e-9, 1 - 1e-9)


def held(low, high, truth, rows):
    """Share of limits that hold the truth; there is none below 0 or above infinity."""
    low, high = np.nan_to_num(low[rows]), np.nan_to_num(high[rows], nan=np.inf)
    slack = 1e-9 * truth[rows]
    return np.mean((low <= truth[rows] + slack) & (truth[rows] - slack <= high))


def rates(mean, by_unit, by_plot, least, most, r, a, b, strips, odds_main, odds_sub, lost, trials):
    """Rejected: all, main, sub, both. Held: shares, ratios, odds within main plots and between."""
    rng = np.random.default_rng(1)
    block, main, sub = (i.ravel() for i in np.indices((r, a, b)))
    units = {"main": block * a + main}
    if strips:
        units["sub"] = block * b + sub
    acts = np.log(odds_main) * main / (a - 1) + np.log(odds_sub) * sub / (b - 1)
    level = special.logit(mean) + acts[:, None] + 0.3 * rng.normal(size=(r, trials))[block]
    share = expected = special.expit(level)
    for codes in units.values():
        share = beta(rng, share, by_unit, codes)
    share = beta(rng, share, by_plot, np.arange(len(block)))
    items = rng.integers(least, most + 1, size=share.shape)
    hits = rng.binomial(items, share).astype(float)
    if lost:
        hits[rng.random(hits.shape).argsort(axis=0) < lost] = np.nan
    items = np.where(np.isnan(hits), np.nan, items)
    blocking = [("block", block)]
    factors = factor("main", main), factor("sub", sub)
    plots = strip_plot(*factors, block) if strips else split_plot(*factors, blocking=blocking)
    found = share_strata(plots, hits, items)
    cell = main * b + sub
    layout = Layout(treatment=cell, n_treatments=a * b, blocking=tuple(blocking))
    levels = share_levels(found, layout, hits, items, base=0)
    truth = np.array([expected[cell == i].mean(axis=0) for i in range(a * b)])
    odds = truth / (1 - truth)
    ratio, odds = truth / truth[0], odds / odds[0]
    rejected = [np.nanmean(term.p < 0.05) for term in found.terms]
    untested = np.mean([np.isnan(term.p).mean() for term in found.terms])
    return [
        *rejected,
        untested,
        held(levels.lower, levels.upper, truth, slice(None)),
        held(levels.ratio_lower, levels.ratio_upper, ratio, slice(1, None)),
        held(levels.odds_lower, levels.odds_upper, odds, slice(1, b)),
        held(levels.odds_lower, levels.odds_upper, odds, slice(b, None)),
    ]


def main() -> None:
    trials = int(sys.argv[1]) if len(sys.argv) > 1 else 4000
    chosen = SETTINGS[int(sys.argv[2]) :] if len(sys.argv) > 2 else SETTINGS
    chance = 100 * np.sqrt(0.05 * 0.95 / trials)
    print(f"{trials} trials a row, in percent; chance error of a rate of 5 %: {chance:.2f}.\n")
    print(
        "| design | share | within larger units | within plots | items | blocks x mains x subs | "
        "missing | odds act | all | main | sub | both | none | shares | ratios | odds, same main | "
        "odds, other main |"
    )
    print("| --- |" + " --- |" * 16)
    for setting in chosen:
        mean, by_unit, by_plot, least, most, r, a, b, strips, odds_main, odds_sub, lost = setting
        found = rates(*setting, trials)
        acts = "no" if odds_main == odds_sub == 1 else f"{odds_main:g}, {odds_sub:g}"
        items = f"{least}" if least == most else f"{least} to {most}"
        print(
            f"| {'strips' if strips else 'split'} | {mean:g} | {by_unit:g} | {by_plot:g} | {items} "
            f"| {r} x {a} x {b} | {lost} | {acts} | "
            + " | ".join(f"{100 * value:.1f}" for value in found)
            + " |",
            flush=True,
        )


if __name__ == "__main__":
    main()
