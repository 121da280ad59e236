"""A planned trial as files: workbook, folder, map, paper sheets, labels."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Sequence
from pathlib import Path

import pandas as pd

from trialkit.files import write_whole
from trialkit.planning.counting import counting_workbook
from trialkit.planning.field_map import map_svg
from trialkit.planning.labels import SHEETS, label_table, labels_page
from trialkit.planning.mix import MixSheet
from trialkit.planning.mix_pages import mix_page
from trialkit.planning.pages import counting_pages, map_page
from trialkit.planning.plan import Planned
from trialkit.planning.power import BlocksNeeded
from trialkit.planning.power_pages import power_page
from trialkit.planning.visits import asked_counts, asked_yields, lines, visits
from trialkit.reading import save_trial
from trialkit.trial import Trial


def write_plan(
    planned: Planned,
    out: Path | str,
    *,
    name: str = "trial",
    show_treatments: bool = False,
    blind_labels: bool = False,
) -> tuple[Path, ...]:
    """Write everything that a planned trial needs until its first report.

    Parameters
    ----------
    planned : Planned
    out : Path or str
        Folder, made where it is missing.
    name : str
        Of the workbook and the folder of the trial.
    show_treatments : bool
        Whether counting sheets name the treatments.
    blind_labels : bool
        Whether labels carry codes instead of treatments.

    Returns
    -------
    tuple of Path
        The workbook, the folder with the same as text tables, the map, paper sheets and labels.

    Raises
    ------
    FileExistsError
        When the workbook is there: it may hold counts.

    Examples
    --------
    >>> import trialkit
    >>> planned = trialkit.plan_trial(trialkit.example_trial("leaf_beetle_potato"))
    >>> paths = trialkit.write_plan(planned, "plan")
    >>> all(path.exists() for path in paths)
    True
    """
    folder = Path(out)
    trial = planned.trial
    book, tables = folder / f"{name}.xlsx", folder / name
    for path in (book, tables / "counts.csv", tables / "yield.csv"):
        if path.exists():
            msg = f"{path} is there already and may hold counts; take another folder."
            raise FileExistsError(msg)
    files = {
        "field_map.svg": map_svg(trial),
        "field_map.html": map_page(planned),
        "counting_sheets.html": counting_pages(trial, show_treatments=show_treatments),
        "labels.csv": csv_text(label_table(trial)),
        **{
            f"labels_{sheet}.html": labels_page(trial, sheet, blind=blind_labels)
            for sheet in SHEETS
        },
    }
    write_whole(book, counting_workbook(planned, show_treatments=show_treatments))
    saved = save_trial(trial, tables)
    for file, text in _empty_tables(trial).items():
        write_whole(tables / file, text.encode("utf-8"))
    for file, text in files.items():
        write_whole(folder / file, text.encode("utf-8"))
    return (book, saved[0].parent, *(folder / file for file in files))


def _empty_tables(trial: Trial) -> dict[str, str]:
    """Tables of counts and yields, laid out and empty."""
    counted = [item.heading for item in asked_counts(trial)]
    rows = lines(trial)
    sampled = any(number is not None for _, number in rows)
    found = {}
    if trial.counts.empty and counted and visits(trial):
        head = ["plot", "days_after", *(["sample"] if sampled else []), *counted]
        body = [
            [plot.id, visit.day, *([number] if sampled else []), *([""] * len(counted))]
            for visit in visits(trial)
            for plot, number in rows
        ]
        found["counts.csv"] = _csv(head, body)
    if trial.yields.empty and trial.harvest.empty:
        asked = [item.heading for item in asked_yields(trial)]
        body = [[plot.id, *([""] * len(asked))] for plot, _ in lines(trial, samples=False)]
        found["yield.csv"] = _csv(["plot", *asked], body)
    return found


def write_mix(trial: Trial, sheet: MixSheet, out: Path | str) -> tuple[Path, ...]:
    """Write a mix sheet: a page for print, and its amounts as a table.

    Returns
    -------
    tuple of Path
        ``mix.html`` and ``mix.csv``.
    """
    files = {"mix.html": mix_page(trial, sheet), "mix.csv": csv_text(sheet.amounts)}
    for file, text in files.items():
        write_whole(Path(out) / file, text.encode("utf-8"))
    return tuple(Path(out) / file for file in files)


def write_doses(trial: Trial, doses: pd.DataFrame, folder: Path) -> Path:
    """Write doses.csv: what the trial holds, with the rates that were put out in their places."""
    keys = list(zip(doses["treatment"], doses["application"], strict=True))
    kept = [
        row
        for row in trial.doses.to_dict("records")
        if (row["treatment"], row["application"]) not in keys
    ]
    table = pd.DataFrame([*kept, *doses.to_dict("records")], dtype=object)
    path = folder / "doses.csv"
    write_whole(path, csv_text(table).encode("utf-8"))
    return path


def write_power(trial: Trial, needed: BlocksNeeded, out: Path | str) -> tuple[Path, ...]:
    """Write what trials of several sizes can show: a page for print, and the chances as a table.

    Returns
    -------
    tuple of Path
        ``power.html`` and ``power.csv``.
    """
    files = {"power.html": power_page(trial, needed), "power.csv": csv_text(needed.chances)}
    for file, text in files.items():
        write_whole(Path(out) / file, text.encode("utf-8"))
    return tuple(Path(out) / file for file in files)


def csv_text(table: pd.DataFrame) -> str:
    """Write a table as text, cells without content empty."""
    rows = [
        ["" if value is None or value != value else value for value in row]
        for row in table.itertuples(index=False)
    ]
    return _csv(list(table.columns), rows)


def _csv(head: Sequence[object], rows: Sequence[Sequence[object]]) -> str:
    stream = io.StringIO(newline="")
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(head)
    writer.writerows(rows)
    return stream.getvalue()


def file_name(text: str) -> str:
    """Make of a text a name for a file: letters, digits, - and _, nothing else."""
    return re.sub(r"[^\w-]+", "_", text.strip()).strip("_")[:80] or "trial"
