"""How often the intervals of one whole trial hold the truth, table by table.

Run: ``python tests/benchmarks/bench_story.py [trials] [k]``; prints the table of story.md.
"""

from __future__ import annotations

import sys
from collections import defaultdict
from dataclasses import replace

import numpy as np
import pandas as pd

from trialkit.analysis import analyse
from trialkit.trial import (
    COUNT_COLUMNS,
    Kind,
    Plot,
    Settings,
    Transform,
    Treatment,
    TreatmentRole,
    Trial,
    Variable,
    VariableRole,
)
from trialkit.trial import Design as LayoutName

DAYS = np.array([-1.0, 3.0, 7.0, 14.0, 21.0])
BLOCKS, PRICE, LOSS, TARGET = 5, 2.0, 0.5, 70.0
#: Control on the first day and its daily loss, pests and enemies: share of enemies that is left.
TRUTH = {
    "1": (0.0, 0.0, 1.0),
    "2": (0.95, 0.01, 0.5),
    "3": (0.85, 0.03, 0.7),
    "4": (0.6, 0.02, 0.9),
    "5": (0.93, 0.01, 0.2),
    "6": (0.9, 0.02, 0.05),
    "7": (0.1, 0.0, 1.0),
}
COSTS = {"1": 0.0, "2": 60.0, "3": 40.0, "4": 30.0, "5": 80.0, "6": 55.0, "7": 10.0}
IDS = list(TRUTH)
TABLES = ("control", "rates", "mixtures", "carrier", "natural_enemies", "reductions")
TABLES += ("loss", "money", "persistence")


def control(name: str, day: float) -> float:
    start, fall, _ = TRUTH[name]
    return start * np.exp(-fall * day) if day > 0 else 0.0


PESTS = np.array([[40 * (1 + 0.02 * max(d, 0)) * (1 - control(i, d)) for d in DAYS] for i in IDS])
ENEMIES = np.array([[20 * (TRUTH[i][2] if d > 0 else 1.0) for d in DAYS] for i in IDS])


def area(course: np.ndarray) -> np.ndarray:
    return np.trapezoid(course, DAYS, axis=-1)


def held(name: str) -> float | None:
    """Day on which control falls to the target, between assessments as the tool draws it."""
    found = [100.0 * control(name, day) for day in DAYS[1:]]
    if found[0] < TARGET or found[-1] >= TARGET:
        return None
    last = int(np.argmax(np.array(found) < TARGET)) - 1
    share = (found[last] - TARGET) / (found[last] - found[last + 1])
    return float(DAYS[1 + last] + share * (DAYS[2 + last] - DAYS[1 + last]))


def frame() -> Trial:
    special = {"1": TreatmentRole.UNTREATED, "6": TreatmentRole.REFERENCE}
    special["7"] = TreatmentRole.CARRIER
    rates = {"2": 1.0, "3": 0.5}
    return Trial(
        title="Simulated",
        design=LayoutName.RCBD,
        treatments=tuple(
            Treatment(
                id=i,
                name=f"Product {i}",
                role=special.get(i, TreatmentRole.TEST),
                rate=rates.get(i),
                rate_unit="L/ha" if i in rates else None,
                parts=("2", "4") if i == "5" else (),
                cost_per_ha=COSTS[i],
                extra={"Rate series": "one"} if i in rates else {},
            )
            for i in IDS
        ),
        plots=tuple(
            Plot(id=f"{b}{i}", treatment=i, block=str(b)) for b in range(BLOCKS) for i in IDS
        ),
        variables=(
            Variable(name="pest", label="Pest", kind=Kind.COUNT, role=VariableRole.PEST),
            Variable(name="enemy", label="E", kind=Kind.COUNT, role=VariableRole.NATURAL_ENEMY),
            Variable(
                name="yield",
                label="Y",
                kind=Kind.MEASUREMENT,
                role=VariableRole.YIELD,
                unit="kg/ha",
            ),
        ),
        untreated="1",
        settings=Settings(
            transform=Transform.LOG, control_target=TARGET, crop_price=PRICE, currency="EUR"
        ),
    )


def draw(trial: Trial, k: float, rng: np.random.Generator) -> Trial:
    """Counts and yields of one season; yields fall with the pest-days of the plot."""
    size = (BLOCKS, len(IDS), DAYS.size)

    def counted(mean: np.ndarray) -> np.ndarray:
        blocks = np.exp(rng.normal(0.0, 0.3, (BLOCKS, 1, 1)))
        return rng.poisson(mean * blocks * rng.gamma(k, 1.0 / k, size)).reshape(-1, DAYS.size)

    found = {"pest": counted(PESTS), "enemy": counted(ENEMIES)}
    fields = np.repeat(rng.normal(0.0, 150.0, BLOCKS), len(IDS))
    yields = 4000.0 + fields - LOSS * area(found["pest"]) + rng.normal(0.0, 120.0, fields.size)
    ids = [plot.id for plot in trial.plots]
    rows = [
        (plot, name, day, None, float(value))
        for row, plot in enumerate(ids)
        for name, values in found.items()
        for day, value in zip(DAYS, values[row], strict=True)
    ]
    return replace(
        trial,
        counts=pd.DataFrame(rows, columns=list(COUNT_COLUMNS)),
        yields=pd.DataFrame({"plot": ids, "variable": "yield", "value": yields}),
    )


def truths(table: str, row: object) -> tuple[str, float] | None:
    """Line of the printed table, and the true value behind a row; None where there is none."""
    name = getattr(row, "treatment", "1")
    day = getattr(row, "days_after", float("nan"))
    if table == "control" and row.method in ("abbott", "henderson-tilton"):
        return f"control by {row.method}", 100 * control(name, day)
    if table == "rates":
        return "lower rate less full rate", 100 * (control("3", day) - control("2", day))
    if table == "mixtures":
        expected = 1 - (1 - control("2", day)) * (1 - control("4", day))
        return "mixture, one day", 100 * (control("5", day) - expected)
    if table == "carrier" and np.isfinite(row.added_percent):
        return "added to the carrier", 100 * (1 - (1 - control(name, day)) / 0.9)
    if table == "natural_enemies" and name != "1":
        return "enemies, one day", 100 * (1 - TRUTH[name][2])
    if table == "reductions" and row.measure == "pest_days" and name != "1":
        means = PESTS if row.variable == "pest" else ENEMIES
        whole = 100 * (1 - area(means[IDS.index(name)]) / area(means[0]))
        return f"{row.variable}, whole period", float(whole)
    if table == "loss":
        return f"loss, {row.basis}", -100 * LOSS
    if table == "money" and name != "1":
        saved = area(PESTS[0]) - area(PESTS[IDS.index(name)])
        return "gain in money", PRICE * LOSS * float(saved) - COSTS[name]
    if table == "persistence" and (until := held(name)) is not None:
        return "target held until", until
    return None


def main(trials: int, k: float) -> None:
    rng, trial = np.random.default_rng(100), frame()
    kept: dict[str, list[int]] = defaultdict(list)
    for _ in range(trials):
        analysis = analyse(draw(trial, k, rng))
        for table in [
            "control",
            "rates",
            "mixtures",
            "carrier",
            "natural_enemies",
            "reductions",
            "loss",
            "money",
            "persistence",
        ]:
            for row in getattr(analysis, table).itertuples():
                found = truths(table, row)
                if found is not None:
                    low = -np.inf if np.isnan(row.lower) else row.lower
                    high = np.inf if np.isnan(row.upper) else row.upper
                    kept[found[0]].append(-1 if found[1] < low else int(found[1] > high))
            if table == "natural_enemies":
                for row in analysis.natural_enemies.itertuples():
                    place = IDS.index(row.treatment), list(DAYS).index(row.days_after)
                    true = PESTS[place] / ENEMIES[place]
                    low, high = row.pest_per_enemy_lower, row.pest_per_enemy_upper
                    kept["pests for each enemy"].append(-1 if true < low else int(true > high))
    print("| interval | number | covers, % | truth below, % | truth above, % |")
    print("| --- | --- | --- | --- | --- |")
    for name, sides in kept.items():
        side = np.array(sides)
        shares = [100 * np.mean(side == value) for value in (0, -1, 1)]
        print(f"| {name} | {side.size} | {' | '.join(f'{share:.1f}' for share in shares)} |")


if __name__ == "__main__":
    asked = [float(word) for word in sys.argv[1:]]
    main(int(asked[0]) if asked else 200, asked[1] if len(asked) > 1 else 3.0)
