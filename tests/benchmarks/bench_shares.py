"""How often tests of shares k of n reject where treatments do nothing, and their limits cover.

Randomised blocks whose odds differ by a lognormal factor (standard deviation 0.3); two units of a
plot have a given correlation. Every treatment has the same share in the null trials; in the
others the odds fall from treatment to treatment, to a fiftieth. For each setting: the share of
trials in which F on the arcsine of the percentages, F by the beta-binomial variance, the p that
the table has of that model (of dealing the treatments anew where few were hit), F by the
quasi-binomial, and the chi-square of a plain binomial reject at 5 %, and how often 95 % limits of
shares and of ratios of odds by the beta-binomial variance hold the truth.

Run as ``python tests/benchmarks/bench_shares.py [TRIALS]``. The figures of the last run stand in
``shares.md``. Asserts nothing.
"""

from __future__ import annotations

import sys

import numpy as np
from scipy import special

from trialkit.inference.design.layout import randomised_blocks
from trialkit.inference.design.scales import forward
from trialkit.inference.glm.share_model import fit_shares
from trialkit.inference.normal.linear import fit_layout
from trialkit.inference.permutation.dealt_shares import dealt_shares, few_hit

#: Treatments, blocks, fewest and most units a plot, share, correlation, whether treatments act.
SETTINGS = [
    *(
        (t, b, 50, 50, hits / 50, alike, False)
        for t, b in ((4, 4), (6, 4), (12, 4), (6, 6))
        for hits in (1, 2, 3, 5, 10)
        for alike in (0.0, 0.02, 0.08)
    ),
    (6, 4, 50, 50, 0.20, 0.25, False),
    (6, 4, 20, 100, 0.20, 0.05, False),
    (6, 4, 20, 200, 0.30, 0.15, False),
    (6, 4, 20, 100, 0.02, 0.02, False),
    (6, 3, 25, 25, 0.05, 0.05, False),
    (12, 4, 200, 200, 0.05, 0.02, False),
    (6, 6, 200, 200, 0.05, 0.08, False),
    (8, 5, 100, 100, 0.50, 0.02, False),
    (12, 4, 30, 120, 0.30, 0.03, False),
    (6, 4, 50, 50, 0.30, 0.05, True),
    (6, 4, 20, 100, 0.30, 0.05, True),
    (6, 4, 100, 100, 0.10, 0.02, True),
    (6, 6, 50, 50, 0.08, 0.08, True),
    (6, 4, 50, 50, 0.06, 0.02, True),
]


#: Arrangements of a test; the tool looks at 9,999.
DRAWS = 499


def run(setting: tuple[int, int, int, int, float, float, bool], trials: int, seed: int) -> str:
    """One setting, as a line of a table."""
    t, b, least, most, share, alike, acting = setting
    rng = np.random.default_rng(seed)
    treatment, block = np.tile(np.arange(t), b), np.repeat(np.arange(b), t)
    layout = randomised_blocks(treatment, block, t)
    number = rng.integers(least, most + 1, (t * b, trials))
    act = np.log(1 / 50) * np.linspace(0.0, 1.0, t) if acting else np.zeros(t)
    here = rng.normal(0.0, 0.3, (b, trials))
    true = special.expit(special.logit(share) + act[treatment][:, None] + here[block])
    level = true
    if alike > 0:
        size = 1.0 / alike - 1.0
        level = rng.beta(size * true, size * (1.0 - true))
    hits = rng.binomial(number, level).astype(float)
    units = number.astype(float)
    percent = forward("arcsine", 100.0 * hits / units)
    plain = np.concatenate([fit.treatment.p for fit in fit_layout(layout, percent)])
    rejected = [float((plain < 0.05).mean())]
    for family in ("beta-binomial", "quasi-binomial", "binomial"):
        fit = fit_shares(layout, hits, units, family=family)  # type: ignore[arg-type]
        line = next(item for item in fit.lines if item.source == "treatment")
        p = line.p_chi_square if family == "binomial" else line.p
        rejected.append(float((p < 0.05).mean()))
        if family == "beta-binomial":
            few = np.flatnonzero(few_hit(fit, hits, units) & np.isfinite(p))
            p = p.copy()
            p[few] = dealt_shares(layout, fit, (hits, units), few, DRAWS)
            rejected.append(float((p < 0.05).mean()))
    fit = fit_shares(layout, hits, units, family="beta-binomial")
    means = np.stack([true[treatment == code].mean(axis=0) for code in range(t)])
    shares = ((fit.lower <= means) & (means <= fit.upper)).mean()
    against = fit.ratios(0)
    odds = np.exp(act - act[0])[:, None]
    below = np.nan_to_num(against.odds_lower, nan=0.0) <= odds
    above = odds <= np.nan_to_num(against.odds_upper, nan=np.inf)
    cover = (below & above)[1:].mean()
    cells = [
        f"{t} x {b}",
        f"{least} to {most}" if least < most else f"{least}",
        f"{share:g}",
        f"{alike:g}",
        "yes" if acting else "no",
        *(f"{100 * value:.1f}" for value in rejected),
        f"{100 * shares:.1f}",
        f"{100 * cover:.1f}",
    ]
    return "| " + " | ".join(cells) + " |"


def main(trials: int) -> None:
    """Print the table."""
    print(f"{trials} trials a line, in percent.\n")
    heads = (
        "treatments x blocks", "units a plot", "share", "correlation", "treatments act",
        "F, arcsine", "F, beta-binomial", "p, beta-binomial", "F, quasi-binomial",
        "chi-square, binomial",
        "limits of shares hold", "limits of odds hold",
    )  # fmt: skip
    print("| " + " | ".join(heads) + " |")
    print("| " + " | ".join("---" for _ in heads) + " |")
    for place, setting in enumerate(SETTINGS):
        print(run(setting, trials, 20250612 + place), flush=True)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 4000)
