"""Trials that strain a report: very many or very few treatments, long and foreign names, zeros."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

_LONG = (
    "Brackmoor suspension concentrate with a wetting agent of its own, half rate",
    "Ostrel and Tarnock as a tank mixture, the second application two weeks after the first",
    "Wimbrel granules",
    "Pelloway seed treatment followed by Marrowfen at the first sign of damage",
)
_FOREIGN = (
    "\u0645\u0628\u064a\u062f \u062a\u062c\u0631\u064a\u0628\u064a",  # Arabic, right to left
    "\u05ea\u05db\u05e9\u05d9\u05e8 \u05e0\u05d9\u05e1\u05d9\u05d5\u05e0\u05d9",  # Hebrew
    "\u00c5ngstr\u00f6m-Pr\u00e4parat",
    "\u0158e\u0159i\u0161nice \u017elu\u0165ou\u010dk\u00e1",
    "\u00d1and\u00fa s\u00e9l\u00e9n\u00ef\u00ef",
)


@dataclass(frozen=True, kw_only=True)
class Odd:
    """What is odd about a trial.

    Attributes
    ----------
    treatments : int
        With the untreated.
    names : tuple of str
        Taken in turn; invented ones where empty.
    days : int
        Assessments, the first before treatment.
    counted, harvested : bool
        Whether pests were counted, and yield was weighed.
    mean : float
        Pests of an untreated plot.
    blocks : int
    """

    treatments: int = 5
    names: tuple[str, ...] = ()
    days: int = 5
    counted: bool = True
    harvested: bool = True
    mean: float = 40.0
    blocks: int = 4


ODD: dict[str, Odd] = {
    "sixteen": Odd(treatments=16, names=_LONG),
    "twenty-five": Odd(treatments=25, names=_LONG, blocks=3),
    "one-and-untreated": Odd(treatments=2),
    "no-yield": Odd(harvested=False),
    "yield-only": Odd(counted=False),
    "twenty-assessments": Odd(days=20),
    "all-zeros": Odd(mean=0.0),
    "foreign-names": Odd(treatments=6, names=_FOREIGN),
}


def lay_out(folder: Path, odd: Odd, seed: int = 1) -> Path:
    """Write an odd trial as a folder.

    Parameters
    ----------
    folder : Path
        Is made.
    odd : Odd
    seed : int

    Returns
    -------
    Path
        The folder.
    """
    rng = np.random.default_rng(seed)
    folder.mkdir(parents=True)
    ids = [str(number + 1) for number in range(odd.treatments)]
    plots = [
        (f"{block + 1}{place + 1:02d}", ids[code], str(block + 1), block + 1, place + 1)
        for block in range(odd.blocks)
        for place, code in enumerate(rng.permutation(odd.treatments))
    ]
    _write(folder / "treatments.csv", ("treatment", "name", "role"), _treatments(odd, ids))
    _write(folder / "plots.csv", ("plot", "treatment", "block", "row", "column"), plots)
    days = [-1, *(3 * (place + 1) for place in range(odd.days - 1))]
    effect = dict(zip(ids, rng.uniform(0.05, 1.0, odd.treatments), strict=True)) | {"1": 1.0}
    if odd.counted:
        rows = []
        for plot, treatment, *_ in plots:
            own = rng.gamma(6.0, 1 / 6.0)
            for day in days:
                mean = odd.mean * own * (effect[treatment] if day > 0 else 1.0)
                enemies = rng.poisson(4.0 * (odd.mean > 0))
                rows.append((plot, day, rng.poisson(mean), enemies))
        _write(folder / "counts.csv", ("plot", "days_after", "mites", "bugs"), rows)
    if odd.harvested:
        weights = [(plot, round(20.0 - 4 * effect[t] + rng.normal(), 2)) for plot, t, *_ in plots]
        _write(folder / "yield.csv", ("plot", "fruit"), weights)
    (folder / "trial.toml").write_text(_settings(odd), encoding="utf-8")
    return folder


def _treatments(odd: Odd, ids: Sequence[str]) -> list[tuple[str, str, str]]:
    names = [
        f"{odd.names[place % len(odd.names)]}{'' if place < len(odd.names) else f' {place}'}"
        if odd.names
        else f"Tarnock {place}"
        for place in range(len(ids) - 1)
    ]
    roles = ["reference" if place == 1 else "test" for place in range(len(names))]
    return [(ids[0], "Untreated", "untreated"), *zip(ids[1:], names, roles, strict=True)]


def _settings(odd: Odd) -> str:
    lines = ['title = "An odd trial"', 'design = "rcbd"', "applied = 2025-06-12"]
    lines += ['untreated = "1"', 'crop = "apple"']
    if odd.counted:
        lines += ["[variables.mites]", 'label = "Mites per leaf"', 'kind = "count"']
        lines += ['role = "pest"', "[variables.bugs]", 'label = "Predatory bugs per branch"']
        lines += ['kind = "count"', 'role = "natural-enemy"']
    if odd.harvested:
        lines += ["[variables.fruit]", 'label = "Fruit, t/ha"', 'kind = "measurement"']
        lines += ['role = "yield"']
    return "\n".join(lines) + "\n"


def _write(path: Path, head: Sequence[str], rows: Iterable[Sequence[object]]) -> None:
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(head)
        writer.writerows(rows)
