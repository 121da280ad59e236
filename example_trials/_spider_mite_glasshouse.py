"""Spider mites on glasshouse cucumbers: completely randomised, unequal n, leaves as samples."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from _simulate import (
    FloatArray,
    IntArray,
    Plan,
    adjacency,
    completely_randomised,
    csv_text,
    draw_counts,
    effects,
    generator,
    running_area,
)

SEED = 358  # a draw whose means lie near the truth and whose late counts show the neighbours
DAYS = (-1, 3, 7, 14, 21, 28)
DATES = ("2025-03-09", "2025-03-13", "2025-03-17", "2025-03-24", "2025-03-31", "2025-04-07")
LEAVES = 5
SHORT_DAY, SHORT_PLOTS, SHORT_LEAVES = 14, (4, 17, 22), 3  # leaves had been pruned off

# Untreated courses, per leaf. The mites multiply all the time; predators follow slowly.
MITES = np.array([6.0, 9.0, 14.0, 26.0, 40.0, 52.0])
PREDATORS = np.array([0.5, 0.6, 0.8, 1.2, 1.8, 2.4])

# True percent control of mites in a plot without neighbours.
MITE_CONTROL = (
    (0, 0, 0, 0, 0, 0),
    (0, 15, 5, 0, 0, 0),
    (0, 86, 90, 84, 70, 55),
    (0, 60, 92, 96, 94, 92),
    (0, 92, 70, 15, -35, -50),
    (0, 5, 15, 42, 70, 86),
)
# True percent reduction of predatory mites; below zero: more than in the untreated.
PREDATOR_LOSS = (
    (0, 0, 0, 0, 0, 0),
    (0, 0, 0, 0, 0, 0),
    (0, 40, 35, 30, 25, 20),
    (0, 5, 10, 15, 20, 25),
    (0, 94, 94, 90, 80, 70),
    (0, -200, -220, -200, -150, -90),
)
# From day 14 this share of the mean of the adjacent plots walks in between two assessments.
INFLOW, INFLOW_FROM_DAY = 0.25, 14
K_LEAF_MITES, K_LEAF_PREDATORS = 1.3, 1.5
PLOT_SPREAD = 0.25
FULL_YIELD_KG, LOSS_PER_100_MITE_DAYS = 14.5, 0.4

TRIAL = """\
# Invented data: products, people and places do not exist.
title = "Spider mites on glasshouse cucumbers, spring 2025"
design = "crd"
applied = 2025-03-10
untreated = "UNT"
crop = "cucumber"
cultivar = "Long Marigold"
site = "Tansy Lane glasshouses, house 4"
season = "spring 2025"
trial_number = "TL-25-01"
responsible = "I. Brockwell"
plot_area_m2 = 3.2
notes = "Invented example. Plots of four plants on four benches; mites can walk along and between \
benches. On 24 March three plots had only three leaves of the right age left."

[variables.mites]
label = "Spider mites per leaf"
kind = "count"
role = "pest"
threshold = 5.0

[variables.predatory_mites]
label = "Predatory mites per leaf"
kind = "count"
role = "natural-enemy"

[variables.fruit]
label = "Fruit picked until 7 April"
kind = "measurement"
role = "yield"
unit = "kg per plot"

[analysis]
comparison = "dunnett"
control_target = 80.0
seed = 1
"""

TREATMENT_COLUMNS = ("treatment", "name", "role", "rate", "rate_unit", "mode_of_action", "remark")
TREATMENTS = (
    ("UNT", "Untreated", "untreated", "", "", "", ""),
    ("WAT", "Water alone", "carrier", "", "", "", "Same volume as the products"),
    ("OST", "Ostrel", "reference", "0.5", "L/ha", "group 58", "House standard"),
    ("BRA", "Brackmoor", "test", "0.35", "L/ha", "group 77", "Acts on eggs and young mites"),
    ("SHA", "Sharrowick", "test", "0.6", "L/ha", "group 63", "Broad contact product"),
    (
        "REL",
        "Predatory mites released",
        "test",
        "25",
        "mites/m2",
        "",
        "Put out by hand",
    ),
)
PLOTS_A_TREATMENT = (6, 4, 5, 5, 4, 4)


@dataclass(frozen=True, slots=True, kw_only=True)
class House:
    """What was seen: leaf counts (days, leaves, plots) and fruit (plots,) in kg."""

    plan: Plan
    mites: IntArray
    predators: IntArray
    fruit_kg: FloatArray


def simulate(seed: int = SEED) -> House:
    """Let the spring happen."""
    rng = generator(seed)
    plan = completely_randomised(rng, PLOTS_A_TREATMENT, columns=7)
    place = effects(rng, len(plan.plot), PLOT_SPREAD)
    left = 1.0 - np.array(MITE_CONTROL)[plan.treatment].T / 100.0
    own = MITES[:, None] * place * left
    level = _with_neighbours(own, adjacency(plan))
    predators_left = 1.0 - np.array(PREDATOR_LOSS)[plan.treatment].T / 100.0
    predators = PREDATORS[:, None] * predators_left * effects(rng, len(plan.plot), 0.2)
    fruit = FULL_YIELD_KG - LOSS_PER_100_MITE_DAYS * running_area(DAYS, level)[-1] / 100.0
    fruit = fruit + rng.normal(0.0, 0.6, size=len(plan.plot))
    return House(
        plan=plan,
        mites=draw_counts(rng, np.repeat(level[:, None], LEAVES, axis=1), K_LEAF_MITES),
        predators=draw_counts(rng, np.repeat(predators[:, None], LEAVES, axis=1), K_LEAF_PREDATORS),
        fruit_kg=np.round(fruit, 2),
    )


def _with_neighbours(own: FloatArray, weights: FloatArray) -> FloatArray:
    level = own.copy()
    for d, day in enumerate(DAYS):
        if day >= INFLOW_FROM_DAY:
            level[d] = own[d] + INFLOW * weights @ level[d - 1]
    return level


def _count_rows(house: House) -> Iterator[tuple[object, ...]]:
    for d, date in enumerate(DATES):
        for i, plot in enumerate(house.plan.plot):
            short = DAYS[d] == SHORT_DAY and i in SHORT_PLOTS
            for leaf in range(SHORT_LEAVES if short else LEAVES):
                yield plot, date, leaf + 1, house.mites[d, leaf, i], house.predators[d, leaf, i]


def files() -> dict[str, bytes]:
    """Make the trial folder: file names and contents."""
    house = simulate()
    plan = house.plan
    ids = [row[0] for row in TREATMENTS]
    plots = [
        (plot, ids[plan.treatment[i]], plan.row[i], plan.column[i])
        for i, plot in enumerate(plan.plot)
    ]
    application = ("2025-03-10", "1200", "knapsack, hollow cone", "6.0 bar", "first flowers open")
    application_columns = (
        "date",
        "carrier_l_per_ha",
        "equipment",
        "pressure",
        "growth_stage",
    )
    return {
        "trial.toml": TRIAL.encode(),
        "treatments.csv": csv_text(TREATMENT_COLUMNS, TREATMENTS),
        "plots.csv": csv_text(("plot", "treatment", "row", "column"), plots),
        "counts.csv": csv_text(
            ("plot", "date", "sample", "mites", "predatory_mites"), _count_rows(house)
        ),
        "yield.csv": csv_text(("plot", "fruit"), zip(plan.plot, house.fruit_kg, strict=True)),
        "applications.csv": csv_text(application_columns, [application]),
    }
