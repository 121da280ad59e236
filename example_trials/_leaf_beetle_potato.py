"""Leaf beetle larvae in potatoes: randomised blocks, 8 treatments x 4 blocks x 7 days."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from _simulate import (
    FloatArray,
    IntArray,
    Plan,
    csv_text,
    draw_counts,
    effects,
    estimate_percent,
    generator,
    randomised_blocks,
    running_area,
)

SEED = 298  # of several hundred, a draw whose means lie near the truth
DAYS = (-1, 3, 7, 10, 14, 21, 28)

# Untreated courses, per 10 plants: young larvae hatch until day 10, the old ones leave to pupate
# in the soil from day 14; lady beetles follow their prey with some delay.
LARVAE = np.array([42.0, 64.0, 90.0, 106.0, 112.0, 74.0, 40.0])
LADY_BEETLES = np.array([4.0, 5.0, 7.0, 9.0, 10.5, 11.0, 9.0])

# True percent control of larvae on each day; treatment 8 follows from 5 and 7.
LARVAE_CONTROL = {
    "1": (0, 0, 0, 0, 0, 0, 0),
    "2": (0, 8, 3, 0, 0, 0, 0),
    "3": (0, 88, 92, 88, 78, 52, 35),
    "4": (0, 90, 96, 96, 95, 93, 90),
    "5": (0, 87, 95, 91, 83, 55, 35),
    "6": (0, 98, 92, 76, 48, 15, 0),
    "7": (0, 25, 50, 60, 62, 55, 45),
}
# True percent reduction of lady beetles.
LADY_BEETLE_LOSS = {
    "1": (0, 0, 0, 0, 0, 0, 0),
    "2": (0, 0, 0, 0, 0, 0, 0),
    "3": (0, 45, 40, 35, 30, 20, 10),
    "4": (0, 20, 20, 15, 15, 10, 10),
    "5": (0, 10, 10, 5, 5, 5, 0),
    "6": (0, 92, 90, 88, 82, 75, 60),
    "7": (0, 0, 0, 0, 0, 0, 0),
    "8": (0, 10, 10, 5, 5, 5, 0),
}
MIXTURE = ("8", ("5", "7"))

K_LARVAE, K_LADY_BEETLES = 3.5, 4.0
BLOCK_SPREAD, PLOT_SPREAD = 0.25, 0.25
FULL_YIELD, LOSS_PER_100_LARVA_DAYS = 46.0, 0.55
HARVESTED_M2 = 7.5
LOST_PLOT_TREATMENT, LOST_BLOCK, LOST_FROM_DAY = 6, 2, 14
MISSED_DAY, MISSED_BLOCK, MISSED_FROM_COLUMN = 10, 3, 6

TRIAL = """\
# Invented data: products, people and places do not exist.
title = "Leaf beetle larvae in potatoes, 2025"
design = "rcbd"
applied = 2025-06-12
untreated = "1"
crop = "potato"
crop_code = "SOLTU"
cultivar = "Old Lantern"
site = "Ferrow Hill farm, Long Acre field"
season = "2025"
trial_number = "FH-25-03"
responsible = "A. Quenby, R. Tolliver"
plot_area_m2 = 18.0
notes = "Invented example. Plot 307 was flooded by a burst irrigation pipe on day 12 and given up. \
Rain ended the assessment of day 10 before the last three plots of block 4."

[variables.larvae]
label = "Larvae per 10 plants"
kind = "count"
role = "pest"
threshold = 15.0

[variables.lady_beetles]
label = "Lady beetles per 10 plants"
kind = "count"
role = "natural-enemy"

[variables.defoliation]
label = "Leaf area eaten, %"
kind = "percent"
role = "damage"

[variables.tubers]
label = "Marketable tubers"
kind = "measurement"
role = "yield"

[analysis]
comparison = "tukey"
control = "auto"
control_target = 80.0
seed = 1
yield_unit = "t/ha"
crop_price = 165.0
contrasts = ["Pelloway or the reference = 4, 5 against 3"]
currency = "EUR"
"""

TREATMENTS = (
    ("1", "Untreated", "untreated", "", "", "", "0", "", ""),
    ("2", "Water alone", "carrier", "", "", "", "16", "", "Sprayed with 300 L/ha water"),
    ("3", "Tarnock", "reference", "0.25", "L/ha", "group 71", "44", "", "Standard of the region"),
    ("4", "Pelloway, full rate", "test", "0.30", "L/ha", "group 84", "82", "", ""),
    ("5", "Pelloway, half rate", "test", "0.15", "L/ha", "group 84", "49", "", ""),
    ("6", "Wimbrel", "test", "0.40", "L/ha", "group 66", "31", "", ""),
    ("7", "Marrowfen", "test", "2.0", "kg/ha", "group 90", "38", "", "Microbial"),
    ("8", "Pelloway half rate + Marrowfen", "test", "", "", "group 84 + group 90", "71", "5+7", ""),
)
TREATMENT_COLUMNS = (
    "treatment",
    "name",
    "role",
    "rate",
    "rate_unit",
    "mode_of_action",
    "cost_per_ha",
    "parts",
    "remark",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Season:
    """What was seen in every plot: arrays (days, plots), tubers (plots,) in kg."""

    plan: Plan
    larvae: IntArray
    lady_beetles: IntArray
    defoliation: FloatArray
    tubers_kg: FloatArray


def larvae_control() -> FloatArray:
    """True control of larvae as shares (treatments, days); the mixture by Colby's rule."""
    control = {key: np.array(value) / 100.0 for key, value in LARVAE_CONTROL.items()}
    name, parts = MIXTURE
    control[name] = 1.0 - np.prod([1.0 - control[part] for part in parts], axis=0)
    return np.array([control[row[0]] for row in TREATMENTS])


def simulate(seed: int = SEED) -> Season:
    """Let the season happen."""
    rng = generator(seed)
    plan = randomised_blocks(rng, len(TREATMENTS), 4)
    place = effects(rng, 4, BLOCK_SPREAD)[plan.block] * effects(rng, len(plan.plot), PLOT_SPREAD)
    left = 1.0 - larvae_control()[plan.treatment].T
    larvae_mean = LARVAE[:, None] * place * left
    loss = np.array([LADY_BEETLE_LOSS[row[0]] for row in TREATMENTS]) / 100.0
    lady_mean = LADY_BEETLES[:, None] * effects(rng, 4, 0.15)[plan.block]
    lady_mean = lady_mean * (1.0 - loss[plan.treatment].T)
    eaten = running_area(DAYS, larvae_mean) + 40.0
    return Season(
        plan=plan,
        larvae=draw_counts(rng, larvae_mean, K_LARVAE),
        lady_beetles=draw_counts(rng, lady_mean, K_LADY_BEETLES),
        defoliation=estimate_percent(rng, 100.0 * (1.0 - np.exp(-eaten / 2300.0)), 0.22),
        tubers_kg=_harvest(rng, plan, running_area(DAYS, larvae_mean)[-1]),
    )


def _harvest(rng: np.random.RandomState, plan: Plan, larva_days: FloatArray) -> FloatArray:
    fertility = rng.normal(0.0, 1.3, size=4)[plan.block]
    tonnes = FULL_YIELD + fertility - LOSS_PER_100_LARVA_DAYS * larva_days / 100.0
    tonnes = tonnes + rng.normal(0.0, 1.4, size=len(larva_days))
    return np.round(tonnes * HARVESTED_M2 / 10.0, 1)


def _lost(plan: Plan, index: int) -> bool:
    return bool(plan.block[index] == LOST_BLOCK and plan.column[index] == LOST_PLOT_TREATMENT + 1)


def _count_rows(season: Season) -> Iterator[tuple[object, ...]]:
    plan = season.plan
    for day_index, day in enumerate(DAYS):
        for i, plot in enumerate(plan.plot):
            rained_off = (
                day == MISSED_DAY
                and plan.block[i] == MISSED_BLOCK
                and plan.column[i] >= MISSED_FROM_COLUMN
            )
            if rained_off or (day >= LOST_FROM_DAY and _lost(plan, i)):
                yield plot, day, "", "", ""
                continue
            eaten = int(season.defoliation[day_index, i])
            yield (
                plot,
                day,
                season.larvae[day_index, i],
                season.lady_beetles[day_index, i],
                eaten,
            )


def files() -> dict[str, bytes]:
    """Make the trial folder: file names and contents."""
    season = simulate()
    plan = season.plan
    ids = [row[0] for row in TREATMENTS]
    plots = [
        (plot, plan.block[i] + 1, ids[plan.treatment[i]], plan.row[i], plan.column[i])
        for i, plot in enumerate(plan.plot)
    ]
    harvest = [
        (plot, season.tubers_kg[i], HARVESTED_M2)
        for i, plot in enumerate(plan.plot)
        if not _lost(plan, i)
    ]
    application = (
        "2025-06-12",
        "300",
        "flat fan",
        "3.0 bar",
        "4.5 km/h",
        "first flower buds",
        "Hand-held boom, 6 nozzles",
        "17",
    )
    application_columns = (
        "date",
        "carrier_l_per_ha",
        "nozzle",
        "pressure",
        "speed",
        "growth_stage",
        "equipment",
        "air_temperature_c",
    )
    return {
        "trial.toml": TRIAL.encode(),
        "treatments.csv": csv_text(TREATMENT_COLUMNS, TREATMENTS),
        "plots.csv": csv_text(("plot", "block", "treatment", "row", "column"), plots),
        "counts.csv": csv_text(
            ("plot", "days_after", "larvae", "lady_beetles", "defoliation"), _count_rows(season)
        ),
        "yield.csv": csv_text(("plot", "harvested_kg", "harvested_area_m2"), harvest),
        "applications.csv": csv_text(application_columns, [application]),
    }
