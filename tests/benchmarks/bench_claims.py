"""Run by hand: how often page 1 says something false, and how often it finds what is there.

    python tests/benchmarks/bench_claims.py [trials a row] [--supporting] [--seed=NUMBER]

Prints the table that is kept in claims.md.
"""

from __future__ import annotations

import sys
from collections import Counter
from dataclasses import replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from known_truth.claims import EQUAL, NULL, ONE, SETTINGS, held_against_truth, shares

TRUTHS = {"nothing differs": NULL, "one product of 90 %": ONE, "all products of 80 %": EQUAL}


def main(number: int, *, supporting: bool, first: int = 0) -> None:
    """Print one row a setting and truth."""
    print("| trials | truth | false on page 1, % | sentences | marks | 90 % product told, % | ")
    print("| --- | --- | --- | --- | --- | --- |")
    elsewhere: dict[str, Counter[str]] = {name: Counter() for name in TRUTHS}
    for place, setting in enumerate(SETTINGS):
        for name, effects in TRUTHS.items():
            told = [
                held_against_truth(
                    replace(setting, effects=effects),
                    first + 100_000 * place + seed,
                    supporting=supporting,
                )
                for seed in range(number)
            ]
            for item in told:
                elsewhere[name].update(set(item.false_elsewhere))
            found = shares(told)
            last = "-" if effects is NULL else f"{found['found']:.0f}"
            print(
                f"| {setting.name} | {name} | {found['page']:.1f} | {found['front']:.1f} | "
                f"{found['marks']:.1f} | {last} |",
                flush=True,
            )
    print("\nFalse claims of sections, % of trials over all settings, by question")
    for name, counted in elsewhere.items():
        total = number * len(SETTINGS)
        parts = [f"{key} {100.0 * value / total:.1f}" for key, value in counted.most_common()]
        print(f"- {name}: {', '.join(parts) or 'none'}")


if __name__ == "__main__":
    given = [item for item in sys.argv[1:] if item.isdecimal()]
    asked = [item.removeprefix("--seed=") for item in sys.argv if item.startswith("--seed=")]
    main(
        int(given[0]) if given else 200,
        supporting="--supporting" in sys.argv,
        first=int(asked[0]) if asked else 0,
    )
