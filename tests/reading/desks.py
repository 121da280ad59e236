"""One trial of known values, and files of it as desks write them."""

import random
from pathlib import Path

import openpyxl

TREATMENTS = ("Untreated", "Tarnock 50", "Wimbrel", "Ostrel")
BLOCKS, DAYS = (1, 2, 3, 4), (0, 4, 11)
_RNG = random.Random(12)
ORDER = {block: _RNG.sample(TREATMENTS, 4) for block in BLOCKS}
PLOTS = [
    (100 * block + place, block, name)
    for block in BLOCKS
    for place, name in enumerate(ORDER[block], 1)
]
LARVAE = {
    (name, block, day): _RNG.randint(20, 60) for _, block, name in PLOTS for day in DAYS
}  # fmt: skip
BEETLES = {key: _RNG.randint(3, 19) for key in LARVAE}


def csv(path: Path, rows, separator: str = ",", coding: str = "utf-8") -> Path:
    path = path / "trial.csv"
    text = "\n".join(separator.join("" if c is None else str(c) for c in row) for row in rows)
    path.write_bytes((text + "\n").encode(coding))
    return path


def book(path: Path, sheets, merged=()) -> Path:
    made = openpyxl.Workbook()
    made.remove(made.active)
    for name, rows in sheets.items():
        sheet = made.create_sheet(name)
        for row in rows:
            sheet.append(list(row))
        for span in merged:
            sheet.merge_cells(span)
    path = path / "trial.xlsx"
    made.save(path)
    return path


def wide(heads=("Plot", "Rep", "Treatment"), form="larvae {} DAT", untreated="Untreated"):
    rows = [[*heads, *(form.format(day) for day in DAYS)]]
    for plot, block, name in PLOTS:
        shown = untreated if name == "Untreated" else name
        rows.append([plot, block, shown, *(LARVAE[name, block, day] for day in DAYS)])
    return rows


def held(reading, truth=LARVAE, variable: int = 0, samples: bool = False):
    """Hold what was read against the truth."""
    assert reading.trial is not None, "\n".join(map(str, reading.problems))
    trial = reading.trial
    named = {item.id: item.name for item in trial.treatments}
    plots = {plot.id: plot for plot in trial.plots}
    blocks = sorted({plot.block for plot in trial.plots})
    wanted = trial.variables[variable].name
    counts = trial.counts[trial.counts["variable"] == wanted]
    if samples:
        counts = counts.groupby(["plot", "day"], as_index=False)["value"].mean()
    found = {}
    for row in counts.itertuples():
        plot = plots[row.plot]
        name = named[plot.treatment]
        name = "Untreated" if plot.treatment == trial.untreated else name
        found[name, blocks.index(plot.block) + 1, row.day] = row.value
    assert found == truth
