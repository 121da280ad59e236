"""A fruit moth of plums: damaged fruits of fruits examined, unequal numbers a plot."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from _simulate import (
    FloatArray,
    IntArray,
    Plan,
    csv_text,
    generator,
    randomised_blocks,
)

SEED = 986  # a draw whose shares lie near the truth
DAYS = (35, 63, 98)

# Untreated course: percent of the fruits with a larva inside, and with a shallow sting.
INFESTED = np.array([8.0, 20.0, 36.0])
STUNG = np.array([3.0, 6.0, 9.0])
# True percent control of infested fruits; sprays on days 0, 14 and 28.
CONTROL = (
    (0, 0, 0),
    (0, 0, 0),
    (70, 60, 45),
    (92, 86, 74),
    (55, 72, 78),
    (99, 97, 94),
)
# Larvae that die after the first bite leave a sting: true change of stings, percent.
STINGS = (0, 0, 20, 60, -10, 50)
BLOCK_SPREAD, ALIKE = 0.25, 0.02
FEWEST, MOST = 80, 120
YOUNG_BLOCK, YOUNG_SHARE = 3, 0.3
STRIPPED = (4, 2)  # treatment and day of the one plot that had lost its fruits

TRIAL = """\
# Invented data: products, people and places do not exist.
title = "Fruit moth in plums, 2025"
design = "rcbd"
applied = 2025-05-19
untreated = "1"
crop = "plum"
cultivar = "Hollin Blue"
site = "Low Ancroft fruit station, orchard 4"
season = "2025"
trial_number = "LA-25-07"
responsible = "T. Averill"
plot_area_m2 = 60.0
notes = "Invented example. Block 4 stands in a young planting and bears few fruits."

[variables.infested]
label = "Fruits with a larva, %"
kind = "percent"
role = "pest"
examined = "fruits examined"

[variables.stung]
label = "Fruits with a shallow sting, %"
kind = "percent"
role = "damage"
examined = "fruits examined"

[analysis]
comparison = "tukey"
control_target = 80.0
seed = 1
"""

TREATMENT_COLUMNS = ("treatment", "name", "role", "rate", "rate_unit", "mode_of_action")
TREATMENTS = (
    ("1", "Untreated", "untreated", "", "", ""),
    ("2", "Water alone", "carrier", "", "", ""),
    ("3", "Tarnock", "reference", "0.5", "L/ha", "group 58"),
    ("4", "Fellgate", "test", "0.3", "kg/ha", "group 71"),
    ("5", "Orsingham", "test", "1.2", "L/ha", "group 84"),
    ("6", "Fellgate and Orsingham in turn", "test", "", "", "group 71; group 84; group 71"),
)
APPLICATION_COLUMNS = ("date", "carrier_l_per_ha", "equipment", "pressure", "growth_stage")
APPLICATIONS = tuple(
    (date, "800", "knapsack mist blower", "4.0 bar", stage)
    for date, stage in (
        ("2025-05-19", "fruits 10 mm"),
        ("2025-06-02", "fruits 18 mm"),
        ("2025-06-16", "fruits half their size"),
    )
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Orchard:
    """What was seen: fruits (days, plots), of which infested and stung."""

    plan: Plan
    examined: IntArray
    infested: IntArray
    stung: IntArray


def simulate(seed: int = SEED) -> Orchard:
    """Let the summer happen."""
    rng = generator(seed)
    plan = randomised_blocks(rng, len(TREATMENTS), 4)
    size = len(plan.plot)
    here = rng.normal(0.0, BLOCK_SPREAD, size=4)
    here = (here - here.mean())[plan.block]
    examined = rng.randint(FEWEST, MOST + 1, size=(len(DAYS), size))
    young = plan.block == YOUNG_BLOCK
    examined = np.where(young, np.rint(examined * YOUNG_SHARE), examined).astype(np.int64)
    treatment, day = STRIPPED
    examined[day, (plan.treatment == treatment) & young] = 0
    left = 1.0 - np.array(CONTROL)[plan.treatment].T / 100.0
    stings = 1.0 - np.array(STINGS)[plan.treatment] / 100.0
    infested = _draw(rng, _at(INFESTED, here) * left, examined)
    stung = _draw(rng, _at(STUNG, here) * stings, examined - infested)
    return Orchard(plan=plan, examined=examined, infested=infested, stung=stung)


def _at(percent: FloatArray, here: FloatArray) -> FloatArray:
    """Shares (days, plots) where blocks move the odds."""
    odds = (percent / (100.0 - percent))[:, None] * np.exp(here)
    shares: FloatArray = odds / (1.0 + odds)
    return shares


def _draw(rng: np.random.RandomState, share: FloatArray, number: IntArray) -> IntArray:
    """Draw units hit, where two units of a plot have the correlation ``ALIKE``."""
    size = 1.0 / ALIKE - 1.0
    level = rng.beta(np.maximum(size * share, 1e-6), size * (1.0 - share))
    return rng.binomial(number, level).astype(np.int64)


def _count_rows(orchard: Orchard) -> Iterator[tuple[object, ...]]:
    for i, plot in enumerate(orchard.plan.plot):
        cells: list[object] = [plot]
        for d in range(len(DAYS)):
            cells += [orchard.examined[d, i], orchard.infested[d, i], orchard.stung[d, i]]
        yield tuple(cells)


def files() -> dict[str, bytes]:
    """Make the trial folder: file names and contents."""
    orchard = simulate()
    plan = orchard.plan
    ids = [row[0] for row in TREATMENTS]
    plots = [
        (plot, plan.block[i] + 1, plan.row[i], plan.column[i], ids[plan.treatment[i]])
        for i, plot in enumerate(plan.plot)
    ]
    heads = [
        f"{name} {day} DAT" for day in DAYS for name in ("fruits examined", "infested", "stung")
    ]
    return {
        "trial.toml": TRIAL.encode(),
        "treatments.csv": csv_text(TREATMENT_COLUMNS, TREATMENTS),
        "plots.csv": csv_text(("plot", "block", "row", "column", "treatment"), plots),
        "counts.csv": csv_text(("plot", *heads), _count_rows(orchard)),
        "applications.csv": csv_text(APPLICATION_COLUMNS, APPLICATIONS),
    }
