"""Thrips in onions: one workbook as a busy field office keeps it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from _simulate import (
    FloatArray,
    Plan,
    draw_counts,
    effects,
    estimate_percent,
    generator,
    randomised_blocks,
    running_area,
)
from _workbook import Cell, merged_title, put_table, workbook_bytes
from openpyxl import Workbook
from openpyxl.worksheet.worksheet import Worksheet

SEED = 231  # a draw whose means lie near the truth
DAYS = (-1, 3, 7, 14, 21, 28)
# Untreated course, per plant; the crop is sprayed on days 0 and 10.
THRIPS = np.array([8.0, 11.0, 17.0, 26.0, 30.0, 24.0])
# True percent control. The wetting agent alone washes and drowns a part of the thrips.
CONTROL = (
    (0, 0, 0, 0, 0, 0),
    (0, 30, 24, 22, 10, 5),
    (0, 52, 45, 48, 34, 20),
    (0, 80, 82, 84, 68, 48),
    (0, 84, 88, 91, 85, 72),
    (0, 58, 86, 93, 91, 86),
)
PLANTS, K_TEN_PLANTS = 10, 5.0
BLOCK_SPREAD, PLOT_SPREAD = 0.2, 0.15
FULL_YIELD_KG, LOSS_PER_100_THRIPS_DAYS = 33.0, 1.3

TREATMENTS: tuple[tuple[Cell, ...], ...] = (
    (1, "Untreated", "Untreated", None, None, None, 0),
    (2, "Wetting agent alone", "carrier", "0,2", "L/ha", None, 18),
    (3, "Ostrel", "Reference", "0,5", "L/ha", "group 58", "52,50"),
    (4, "Lorvane lower rate", "test", "0,4", "L/ha", "group 77", 49),
    (5, "Lorvane full rate", "Test", "0,6", "L/ha", "group 77", "66,50"),
    (6, "Cindervale", "TEST", "0,3", "L/ha", "group 81", 88),
)
TREATMENT_HEADER = (
    "Trt No.",
    "Treatment name",
    "Role",
    "Rate",
    "Rate unit",
    "Mode of action",
    "Cost per ha",
)
TRIAL_KEYS: tuple[tuple[Cell, ...], ...] = (
    ("Title", "Thrips in bulb onions, 2025"),
    ("Design", "RCBD"),
    ("Applied", "24.06.2025"),
    ("Untreated", 1),
    ("Crop", "onion"),
    ("Cultivar", "Winter Bell"),
    (None, None),
    ("Site", "Gannet Flats, strip B"),
    ("Season", 2025),
    ("Plot_area_m2", "12,5"),
    ("Notes", "Invented example. Sprayed twice, 24 June and 4 July."),
    (None, None),
    ("variables.thrips.label", "Thrips per plant (mean of 10 plants)"),
    ("variables.thrips.kind", "count"),
    ("variables.thrips.role", "pest"),
    ("variables.thrips.threshold", "5,0"),
    ("variables.scarring.label", "Leaf area scarred, %"),
    ("variables.scarring.kind", "percent"),
    ("variables.scarring.role", "damage"),
    ("variables.bulbs.label", "Dry bulbs"),
    ("variables.bulbs.unit", "kg per plot"),
    ("variables.bulbs.kind", "measurement"),
    ("variables.bulbs.role", "yield"),
    (None, None),
    ("analysis.comparison", "tukey"),
    ("analysis.control_target", 80),
    ("analysis.seed", 1),
)
APPLICATION_HEADER = ("Date", "Carrier L per ha", "Growth stage", "Equipment", "Pressure")
APPLICATIONS: tuple[tuple[Cell, ...], ...] = (
    ("24.06.2025", 400, "5 leaves", "Knapsack, 2 m boom", "2,5 bar"),
    ("04.07.2025", "400", "7 leaves", "Knapsack, 2 m boom", "2,5 bar"),
)
COUNT_HEADER = (
    "PLOT",
    "thrips -1 DAT",
    "Thrips 3 DAT",
    "THRIPS 7 dat",
    "thrips  14 DAT",
    "Thrips 2025-07-15",
    "thrips 28 DAT ",
    "Scarring 28 DAT",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Season:
    """What was seen: thrips per plant (days, plots), scarring and bulbs (plots,)."""

    plan: Plan
    thrips: FloatArray
    scarring: FloatArray
    bulbs_kg: FloatArray


def simulate(seed: int = SEED) -> Season:
    """Let the season happen."""
    rng = generator(seed)
    plan = randomised_blocks(rng, len(TREATMENTS), 4)
    place = effects(rng, 4, BLOCK_SPREAD)[plan.block] * effects(rng, len(plan.plot), PLOT_SPREAD)
    left = 1.0 - np.array(CONTROL)[plan.treatment].T / 100.0
    level = THRIPS[:, None] * place * left
    thrips_days = running_area(DAYS, level)[-1]
    bulbs = FULL_YIELD_KG - LOSS_PER_100_THRIPS_DAYS * thrips_days / 100.0
    bulbs = bulbs + rng.normal(0.0, 1.0, size=4)[plan.block]
    bulbs = bulbs + rng.normal(0.0, 0.9, size=len(plan.plot))
    return Season(
        plan=plan,
        thrips=draw_counts(rng, PLANTS * level, K_TEN_PLANTS) / PLANTS,
        scarring=estimate_percent(rng, 100.0 * (1.0 - np.exp(-thrips_days / 900.0)), 0.2),
        bulbs_kg=np.round(bulbs, 1),
    )


def _comma(value: float) -> str:
    return f"{value:.1f}".replace(".", ",")


def _counts(season: Season) -> list[tuple[Cell, ...]]:
    rows: list[tuple[Cell, ...]] = []
    for i, plot in enumerate(season.plan.plot):
        # The clerk of blocks 1 and 2 typed decimal commas as text, the other one typed numbers.
        by_text = season.plan.block[i] < 2
        cells: list[Cell] = [int(plot) if by_text else plot]
        cells += [_comma(value) if by_text else float(value) for value in season.thrips[:, i]]
        cells.append(float(season.scarring[i]))
        if plot == "304":
            cells[3] = "n/a"
        if plot == "102":
            cells[5] = "-"
        rows.append(tuple(cells))
        if season.plan.column[i] == len(TREATMENTS) and season.plan.block[i] < 3:
            rows.append((None,) * len(cells))
    return rows


def _trial_sheet(sheet: Worksheet) -> None:
    merged_title(sheet, 1, 4, "TRIAL SHEET - field office copy (invented)")
    put_table(sheet, 3, ("Key", "Value"), TRIAL_KEYS)


def _treatment_sheet(sheet: Worksheet) -> None:
    merged_title(sheet, 1, 7, "Thrips in bulb onions 2025")
    merged_title(sheet, 2, 7, "List of treatments, as agreed in April")
    put_table(sheet, 4, TREATMENT_HEADER, TREATMENTS)
    sheet.cell(12, 1, "Note: all treatments but 1 with 0,2 L/ha wetting agent.")


def _plot_sheet(sheet: Worksheet, plan: Plan) -> None:
    merged_title(sheet, 1, 5, "Plot plan (seen from the road)")
    rows = [
        (int(plot), int(b) + 1, int(t) + 1, int(r), int(c))
        for plot, b, t, r, c in zip(
            plan.plot, plan.block, plan.treatment, plan.row, plan.column, strict=True
        )
    ]
    put_table(sheet, 2, ("Plot no.", "Rep", "Trt", "Row", "Column"), rows)


def _count_sheet(sheet: Worksheet, season: Season) -> None:
    merged_title(sheet, 1, 8, "THRIPS - adults and larvae, mean of 10 plants a plot")
    merged_title(sheet, 2, 8, "counted by P. Hallorane; day 0 = 24.06.2025")
    last = put_table(sheet, 4, COUNT_HEADER, _counts(season))
    sheet.cell(last + 2, 1, "Plot 304, day 7: label lost in the rain, bag thrown away")
    sheet.cell(last + 3, 1, "Plot 102, day 21: not counted")


def _yield_sheet(sheet: Worksheet, season: Season) -> None:
    merged_title(sheet, 1, 3, "Harvest 02.09.2025, net plot 4 rows x 3 m")
    rows: Sequence[Sequence[Cell]] = [
        (int(plot), _comma(value))
        for plot, value in zip(season.plan.plot, season.bulbs_kg, strict=True)
    ]
    last = put_table(sheet, 3, ("Plot", "Bulbs"), rows)
    sheet.cell(last + 2, 1, "weighed dry, tops off")


def _spare_sheet(sheet: Worksheet) -> None:
    rain: tuple[tuple[Cell, ...], ...] = (("25.06.", "3,5"), ("30.06.", 11), ("12.07.", "0,8"))
    last = put_table(sheet, 1, ("Rain, mm",), rain)
    sheet.cell(last + 3, 1, "ring the seed merchant about the bags")


def workbook() -> bytes:
    """Make the workbook as bytes that are the same each time."""
    season = simulate()
    book = Workbook()
    first = book.active
    if not isinstance(first, Worksheet):
        raise TypeError("a new workbook starts with a worksheet")
    first.title = "Trial"
    _trial_sheet(first)
    _treatment_sheet(book.create_sheet("Treatments"))
    _plot_sheet(book.create_sheet("Plots"), season.plan)
    _count_sheet(book.create_sheet("Counts"), season)
    _yield_sheet(book.create_sheet("Yield"), season)
    sheet = book.create_sheet("Applications")
    put_table(sheet, 1, APPLICATION_HEADER, APPLICATIONS)
    sheet.cell(4, 1, "wind below 2 m/s both times")
    _spare_sheet(book.create_sheet("Sheet7"))
    return workbook_bytes(book)
