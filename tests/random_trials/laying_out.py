"""Invented trials of every design, laid out, counted and spoilt at random."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

DESIGNS = ("crd", "rcbd", "incomplete", "latin", "split-plot", "strip-plot")
KINDS = ("count", "count", "percent", "measurement", "share")
COMPARISONS = (
    "tukey", "lsd", "dunnett", "snk", "duncan", "bonferroni", "sidak", "holm", "fdr", "scheffe",
    "none",
)  # fmt: skip
CONTROLS = ("auto", "abbott", "henderson-tilton", "sun-shepard", "schneider-orelli")


@dataclass(frozen=True, kw_only=True)
class Plan:
    """Plots of a trial: columns of plots.csv, and the treatment of each row."""

    design: str
    columns: tuple[str, ...]
    rows: list[tuple[object, ...]]
    treatments: list[str] = field(default_factory=list)

    @property
    def treatment_of(self) -> list[str]:
        """Treatment of each plot."""
        place = self.columns.index("treatment")
        return [str(row[place]) for row in self.rows]


def lay_out(folder: Path, seed: int) -> Path:
    """Write one trial; the seed decides all of it, and in turn the design."""
    rng = np.random.default_rng([77, seed])
    plan = _plan(rng, DESIGNS[seed % len(DESIGNS)])
    kind = str(rng.choice(KINDS))
    days = np.sort(rng.choice(np.arange(-3, 40), int(rng.integers(1, 6)), replace=False))
    lost = float(rng.choice([0.0, 0.0, 0.05, 0.3]))
    samples = int(rng.integers(2, 4)) if kind != "share" and rng.random() < 0.2 else 1
    folder.mkdir(parents=True)
    (folder / "trial.toml").write_text(_settings(rng, plan, kind), encoding="utf-8")
    _write(folder / "plots.csv", plan.columns, plan.rows)
    _write(
        folder / "treatments.csv",
        ("treatment", "name", "role", "rate", "rate_unit", "cost_per_ha"),
        _treatments(rng, plan.treatments),
    )
    examined = ("looked_at",) if kind == "share" else ()
    _write(
        folder / "counts.csv",
        ("plot", "days_after", "sample", "vermin", "beetles", *examined),
        _counts(rng, plan, kind, days, samples, lost),
    )
    yields = [(row[0], _or_lost(rng, round(rng.normal(30.0, 2.0), 1), lost)) for row in plan.rows]
    _write(folder / "yield.csv", ("plot", "grain"), yields)
    return folder


def _write(path: Path, head: Sequence[str], rows: Iterable[Sequence[object]]) -> None:
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(head)
        writer.writerows(rows)


def _or_lost(rng: np.random.Generator, value: object, lost: float) -> object:
    return "" if rng.random() < lost else value


def _plan(rng: np.random.Generator, design: str) -> Plan:
    if design in ("split-plot", "strip-plot"):
        return _factors(rng, design)
    t, blocks = int(rng.integers(3, 8)), int(rng.integers(2, 6))
    names = [str(i + 1) for i in range(t)]
    if design == "latin":
        rows, columns = rng.permutation(t), rng.permutation(t)
        square = [
            (100 * r + c + 101, r + 1, c + 1, names[(rows[r] + columns[c]) % t])
            for r in range(t)
            for c in range(t)
        ]
        head = ("plot", "row", "column", "treatment")
        return Plan(design=design, columns=head, rows=square, treatments=names)
    made: list[tuple[object, ...]] = []
    for b in range(blocks):
        order = rng.permutation(t)
        # An incomplete block lacks one treatment, another one in each block.
        held = [i for i in order if design != "incomplete" or i != b % t]
        made += [
            (100 * b + c + 101, "" if design == "crd" else b + 1, names[i])
            for c, i in enumerate(held)
        ]
    named = "rcbd" if design == "incomplete" else design
    return Plan(design=named, columns=("plot", "block", "treatment"), rows=made, treatments=names)


def _factors(rng: np.random.Generator, design: str) -> Plan:
    mains, subs, blocks = (int(rng.integers(2, most)) for most in (4, 5, 6))
    rows: list[tuple[object, ...]] = []
    for b in range(blocks):
        strips = rng.permutation(subs)
        for main in rng.permutation(mains):
            for sub in strips if design == "strip-plot" else rng.permutation(subs):
                letter, number = chr(65 + main), int(sub) + 1
                rows.append((101 + len(rows), b + 1, letter, number, f"{letter}:{number}"))
    return Plan(
        design=design,
        columns=("plot", "block", "main_factor", "sub_factor", "treatment"),
        rows=rows,
        treatments=[f"{chr(65 + m)}:{s + 1}" for m in range(mains) for s in range(subs)],
    )


def _settings(rng: np.random.Generator, plan: Plan, kind: str) -> str:
    lines = [
        'title = "Random trial"',
        f'design = "{plan.design}"',
        "applied = 2025-06-12",
        f'untreated = "{plan.treatments[0]}"',
        "[variables.vermin]",
        'label = "Vermin"',
        f'kind = "{"percent" if kind == "share" else kind}"',
        f'role = "{rng.choice(["pest", "damage"])}"',
        *(['examined = "looked_at"'] if kind == "share" else []),
        *(["threshold = 5.0"] if rng.random() < 0.5 else []),
        "[variables.beetles]",
        'label = "Beetles"',
        'kind = "count"',
        'role = "natural-enemy"',
        "[variables.grain]",
        'label = "Grain"',
        'kind = "measurement"',
        'role = "yield"',
        'unit = "t/ha"',
        "[analysis]",
        f'comparison = "{rng.choice(COMPARISONS)}"',
        f'control = "{rng.choice(CONTROLS)}"',
    ]
    if rng.random() < 0.3:
        lines += ['yield_unit = "t/ha"', "crop_price = 100.0", 'currency = "EUR"']
    return "\n".join(lines) + "\n"


def _treatments(rng: np.random.Generator, names: Sequence[str]) -> list[tuple[object, ...]]:
    rows: list[tuple[object, ...]] = []
    for i, name in enumerate(names):
        role = "untreated"
        if i:
            role = str(rng.choice(["test", "test", "reference", "carrier"])) if i < 3 else "test"
        product = role in ("test", "reference")
        # The second to the fourth are rates of one product.
        called = f"Brindle, rate {i}" if 0 < i < 4 else f"Product {i}"
        rate = (i, "L/ha") if product else ("", "")
        rows.append((name, called if i else "Untreated", role, *rate, 10 * i))
    return rows


def _counts(
    rng: np.random.Generator,
    plan: Plan,
    kind: str,
    days: Sequence[int],
    samples: int,
    lost: float,
) -> list[tuple[object, ...]]:
    """Aggregated counts about means that may be below one individual or thousands."""
    mean, k = np.exp(rng.uniform(-2.0, 8.0)), np.exp(rng.uniform(-2.0, 3.0))
    left = dict(zip(plan.treatments, np.exp(rng.uniform(-6.0, 0.5, 40)), strict=False))
    none_at_all = rng.random() < 0.08
    rows: list[tuple[object, ...]] = []
    for plot, treatment in zip(plan.rows, plan.treatment_of, strict=True):
        for day in days:
            for sample in range(samples):
                level = mean * (left[treatment] if day > 0 else 1.0)
                found = 0 if none_at_all else rng.poisson(level * rng.gamma(k, 1.0 / k))
                value, examined = _value(rng, kind, int(found), float(mean))
                beetles = _or_lost(rng, rng.poisson(3.0), lost)
                vermin = _or_lost(rng, value, lost)
                rows.append((plot[0], int(day), sample + 1, vermin, beetles, *examined))
    return rows


def _value(
    rng: np.random.Generator, kind: str, found: int, mean: float
) -> tuple[object, tuple[int, ...]]:
    if kind == "measurement":
        return round(1.1 * found, 2), ()
    if kind == "count":
        return found, ()
    share = found / (found + mean)
    if kind == "percent":
        return round(100.0 * share), ()
    number = int(rng.integers(0 if rng.random() < 0.05 else 5, 60))
    return int(rng.binomial(number, share)), (number,)
