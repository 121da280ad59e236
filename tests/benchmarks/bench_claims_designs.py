"""Run by hand: how often page 1 says something false in designs beside complete blocks.

    python tests/benchmarks/bench_claims_designs.py [trials a row]

Trials in which nothing differs: overdispersed counts of a pest on four days and of an enemy on
three, and a yield; larger units and blocks have effects of their own. Every claim of page 1 is
then false. Prints the table that is kept in claims.md.
"""

from __future__ import annotations

import sys
from collections import Counter

import numpy as np
import pandas as pd

import trialkit

KEYS = {
    "variables": {
        "larvae": {"kind": "count", "role": "pest"},
        "beetles": {"kind": "count", "role": "natural-enemy"},
        "tubers": {"kind": "measurement", "role": "yield", "unit": "t/ha"},
    },
    "analysis": {"supporting": False},
}
DAYS = (-1, 3, 7, 14)
BLOCKS = 4


def two_factors(rng: np.random.Generator, *, strips: bool) -> pd.DataFrame:
    """Three levels in main plots (or strips), four in plots, with errors of both sizes."""
    rows = []
    for block in range(1, BLOCKS + 1):
        level = rng.normal(0.0, 0.3)
        mains = rng.normal(0.0, 0.3, 3)
        subs = rng.normal(0.0, 0.3, 4) if strips else np.zeros(4)
        for place, main in enumerate(rng.permutation(3)):
            for beside, sub in enumerate(rng.permutation(4)):
                rows.append(
                    {
                        "block": block,
                        "main_factor": f"m{main}",
                        "sub_factor": f"s{sub}",
                        "level": level + mains[place] + subs[beside],
                    }
                )
    return pd.DataFrame(rows)


def blocks(rng: np.random.Generator, names: list[str], *, number: int = BLOCKS) -> pd.DataFrame:
    """Complete blocks."""
    rows = []
    for block in range(1, number + 1):
        level = rng.normal(0.0, 0.3)
        rows += [
            {"block": block, "treatment": names[code], "level": level}
            for code in rng.permutation(len(names))
        ]
    return pd.DataFrame(rows)


def square(rng: np.random.Generator, names: list[str]) -> pd.DataFrame:
    """A Latin square with effects of rows and columns."""
    size = len(names)
    rows, columns = rng.permutation(size), rng.permutation(size)
    down, across = rng.normal(0.0, 0.3, size), rng.normal(0.0, 0.3, size)
    return pd.DataFrame(
        [
            {
                "row": i + 1,
                "column": j + 1,
                "treatment": names[(rows[i] + columns[j]) % size],
                "level": down[i] + across[j],
            }
            for i in range(size)
            for j in range(size)
        ]
    )


def plain(rng: np.random.Generator, names: list[str]) -> pd.DataFrame:
    """Complete randomisation, five plots each."""
    order = rng.permutation(np.repeat(np.arange(len(names)), 5))
    return pd.DataFrame({"treatment": [names[code] for code in order], "level": 0.0})


def incomplete(rng: np.random.Generator, size: int) -> pd.DataFrame:
    """Incomplete blocks of four in three replicates."""
    rows = []
    for replicate in range(1, 4):
        order = rng.permutation(size)
        for block in range(size // 4):
            level = rng.normal(0.0, 0.3)
            rows += [
                {
                    "replicate": replicate,
                    "incomplete block": block + 1,
                    "variety": f"V{code + 1:02}",
                    "level": level,
                }
                for code in order[4 * block : 4 * block + 4]
            ]
    return pd.DataFrame(rows)


PRODUCTS = ["untreated", *(f"Product {number}" for number in range(1, 6))]
VARIETIES = [f"Variety {number}" for number in range(1, 9)]
DESIGNS = {
    "split-plot, 3 x 4": ("split-plot", None, lambda rng: two_factors(rng, strips=False)),
    "strip-plot, 3 x 4": ("strip-plot", None, lambda rng: two_factors(rng, strips=True)),
    "Latin square, 6": ("latin", "untreated", lambda rng: square(rng, PRODUCTS)),
    "completely randomised, 6": ("crd", "untreated", lambda rng: plain(rng, PRODUCTS)),
    "two products in 4 blocks": ("rcbd", "untreated", lambda rng: blocks(rng, PRODUCTS[:3])),
    "varieties, no untreated": ("rcbd", None, lambda rng: blocks(rng, VARIETIES)),
    "12 varieties in incomplete blocks": ("rcbd", None, lambda rng: incomplete(rng, 12)),
}


def trial(name: str, seed: int) -> trialkit.Trial:
    """Draw a trial of a design in which nothing differs."""
    design, untreated, lay_out = DESIGNS[name]
    rng = np.random.default_rng([seed, len(name)])
    plots = lay_out(rng)
    level = plots.pop("level").to_numpy() + rng.normal(0.0, 0.2, len(plots))
    plots.insert(0, "plot", range(1, len(plots) + 1))
    parts = []
    for day in DAYS:
        mean = 25.0 * np.exp(level) * (1.0 + 0.3 * (day > 3))
        pests = rng.poisson(mean * rng.gamma(2.0, 0.5, mean.size))
        enemies = rng.poisson(8.0 * rng.gamma(3.0, 1.0 / 3.0, mean.size)).astype(float)
        own = plots.assign(days_after=day, larvae=pests, beetles=enemies, tubers=np.nan)
        parts.append(own)
    flat = pd.concat(parts, ignore_index=True).drop(columns="tubers")
    yields = 40.0 + 3.0 * level + rng.normal(0.0, 2.0, level.size)
    flat["tubers"] = np.tile(np.round(yields, 1), len(DAYS))
    keys = {**KEYS, "design": design}
    if untreated is not None:
        keys["untreated"] = untreated
    return trialkit.trial_from_tables(keys, flat=flat)


def main(number: int) -> None:
    """Print one row a design."""
    print("| design | page 1 false, % | sentences | marks | by question, % of trials |")
    print("| --- | --- | --- | --- | --- |")
    for name in DESIGNS:
        said = marked = either = 0
        questions: Counter[str] = Counter()
        for seed in range(number):
            analysis = trialkit.analyse(trial(name, seed))
            front = [item for item in trialkit.make_findings(analysis) if item.front and item.claim]
            marks = bool(analysis.glance["shown"].eq(True).any()) if len(analysis.glance) else False
            said, marked = said + bool(front), marked + marks
            either += bool(front) or marks
            questions.update({item.question for item in front})
        parts = ", ".join(
            f"{key} {100.0 * value / number:.1f}" for key, value in questions.most_common()
        )
        cells = " | ".join(f"{100.0 * value / number:.1f}" for value in (either, said, marked))
        print(f"| {name} | {cells} | {parts or 'none'} |", flush=True)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 200)
