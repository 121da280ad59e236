"""A leaf disease of wheat: Latin square 6 x 6, percent severity, yield in US units."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from _simulate import (
    FloatArray,
    Plan,
    csv_text,
    estimate_percent,
    generator,
    latin_square,
    running_area,
)

SEED = 68  # a draw whose means lie near the truth
DAYS = (-1, 9, 18, 25, 32, 39)
INJURY_DAYS = (9, 18, 25)

# Untreated course: share of the upper leaves covered, percent.
SEVERITY = np.array([1.5, 4.0, 10.0, 22.0, 40.0, 58.0])
# True percent control of severity; the second application falls on day 18.
CONTROL = (
    (0, 0, 0, 0, 0, 0),
    (0, 55, 75, 70, 52, 38),
    (0, 60, 86, 88, 80, 64),
    (0, 0, 0, 45, 66, 72),
    (0, 60, 86, 94, 96, 95),
    (0, 60, 86, 92, 92, 90),
)
# True leaf scorch, percent, on the days of INJURY_DAYS.
INJURY = (
    (0.0, 0.0, 0.0),
    (0.0, 0.0, 0.0),
    (5.0, 2.0, 0.5),
    (0.0, 0.0, 5.0),
    (5.0, 2.0, 8.0),
    (5.0, 2.0, 1.0),
)
GRADIENT_SPREAD, PLOT_SPREAD, EYE_SPREAD = 0.3, 0.15, 0.15
FULL_YIELD_BU, LOSS_PER_100_PERCENT_DAYS = 84.0, 2.1
HARVESTED_FT2 = 150.0
POUNDS_A_BUSHEL, STANDARD_MOISTURE, FT2_AN_ACRE = 60.0, 13.5, 43560.0

TRIAL = """\
# Invented data: products, people and places do not exist.
title = "Leaf blotch in winter wheat, 2025"
design = "latin"
applied = 2025-05-06
untreated = "1"
crop = "winter wheat"
cultivar = "Saddler's Gold"
site = "Penny Creek research farm, east field"
season = "2024-2025"
trial_number = "PC-25-11"
responsible = "M. Ellingsworth"
plot_area_m2 = 18.6
notes = "Invented example. Rows run across the slope, columns along the hedge; wetter at the foot."

[variables.blotch]
label = "Upper leaves covered by blotch, %"
kind = "percent"
role = "pest"
threshold = 5.0

[variables.scorch]
label = "Leaf scorch, %"
kind = "percent"
role = "crop-injury"

[variables.grain]
label = "Grain at 13.5 % moisture"
kind = "measurement"
role = "yield"

[analysis]
comparison = "lsd"
control_target = 75.0
seed = 1
yield_unit = "bu/acre"
bushel_lb = 60.0
standard_moisture_percent = 13.5
crop_price = 5.6
currency = "USD"
"""

TREATMENT_COLUMNS = (
    "treatment",
    "name",
    "role",
    "rate",
    "rate_unit",
    "mode_of_action",
    "cost_per_ha",
    "applications",
)
TREATMENTS = (
    ("1", "Untreated", "untreated", "", "", "", "0", ""),
    ("2", "Dunmarrow, early", "reference", "10", "fl oz/acre", "group 52", "47", "1"),
    ("3", "Cobbleby, early", "test", "8", "fl oz/acre", "group 41", "61", "1"),
    ("4", "Cobbleby, late", "test", "8", "fl oz/acre", "group 41", "61", "2"),
    ("5", "Cobbleby twice", "test", "8", "fl oz/acre", "group 41; group 41", "122", "1; 2"),
    ("6", "Cobbleby, then Dunmarrow", "test", "", "", "group 41; group 52", "108", "1; 2"),
)
APPLICATIONS = (
    ("2025-05-06", "15", "flat fan", "35 psi", "4 mph", "flag leaf just visible"),
    ("2025-05-24", "15", "flat fan", "35 psi", "4 mph", "ears emerging"),
)
APPLICATION_COLUMNS = ("date", "gal_per_acre", "nozzle", "pressure", "speed", "growth_stage")


@dataclass(frozen=True, slots=True, kw_only=True)
class Field:
    """What was seen: percentages (days, plots) and the combine's figures (plots,)."""

    plan: Plan
    severity: FloatArray
    injury: FloatArray
    harvested_lb: FloatArray
    moisture: FloatArray


def simulate(seed: int = SEED) -> Field:
    """Let the season happen."""
    rng = generator(seed)
    plan = latin_square(rng, 6)
    wetness = rng.normal(0.0, GRADIENT_SPREAD, size=6)[plan.row - 1]
    wetness = wetness + rng.normal(0.0, GRADIENT_SPREAD, size=6)[plan.column - 1]
    wetness = wetness + rng.normal(0.0, PLOT_SPREAD, size=36)
    odds = SEVERITY / (100.0 - SEVERITY)
    odds_here = odds[:, None] * np.exp(wetness)
    left = 1.0 - np.array(CONTROL)[plan.treatment].T / 100.0
    severity = 100.0 * odds_here / (1.0 + odds_here) * left
    injury = np.array(INJURY)[plan.treatment].T
    seen_injury = np.where(injury > 0, estimate_percent(rng, injury, 0.35, halves=True), 0.0)
    moisture = np.round(rng.normal(14.4, 0.5, size=36), 1)
    return Field(
        plan=plan,
        severity=estimate_percent(rng, severity, EYE_SPREAD, halves=True),
        injury=seen_injury,
        harvested_lb=_harvest(rng, plan, running_area(DAYS, severity)[-1], moisture),
        moisture=moisture,
    )


def _harvest(
    rng: np.random.RandomState, plan: Plan, percent_days: FloatArray, moisture: FloatArray
) -> FloatArray:
    bushels = FULL_YIELD_BU - LOSS_PER_100_PERCENT_DAYS * percent_days / 100.0
    bushels = bushels + rng.normal(0.0, 2.0, size=6)[plan.row - 1]
    bushels = bushels + rng.normal(0.0, 2.0, size=6)[plan.column - 1]
    bushels = bushels + rng.normal(0.0, 1.6, size=36)
    standard_lb = bushels * POUNDS_A_BUSHEL * HARVESTED_FT2 / FT2_AN_ACRE
    return np.round(standard_lb * (100.0 - STANDARD_MOISTURE) / (100.0 - moisture), 2)


def _count_rows(field: Field) -> Iterator[tuple[object, ...]]:
    for name, days, seen in (
        ("blotch", DAYS, field.severity),
        ("scorch", INJURY_DAYS, field.injury),
    ):
        for d, day in enumerate(days):
            for i, plot in enumerate(field.plan.plot):
                yield plot, day, name, f"{seen[d, i]:g}"


def files() -> dict[str, bytes]:
    """Make the trial folder: file names and contents."""
    field = simulate()
    plan = field.plan
    ids = [row[0] for row in TREATMENTS]
    plots = [
        (plot, ids[plan.treatment[i]], plan.row[i], plan.column[i])
        for i, plot in enumerate(plan.plot)
    ]
    harvest = [
        (plot, field.harvested_lb[i], HARVESTED_FT2, field.moisture[i])
        for i, plot in enumerate(plan.plot)
    ]
    return {
        "trial.toml": TRIAL.encode(),
        "treatments.csv": csv_text(TREATMENT_COLUMNS, TREATMENTS),
        "plots.csv": csv_text(("plot", "treatment", "row", "column"), plots),
        "counts.csv": csv_text(("plot", "days_after", "variable", "value"), _count_rows(field)),
        "yield.csv": csv_text(
            ("plot", "harvested_lb", "harvested_area_ft2", "moisture_percent"), harvest
        ),
        "applications.csv": csv_text(APPLICATION_COLUMNS, APPLICATIONS),
    }
