"""A Trial back to files: a folder of text tables, or a workbook."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, fields
from datetime import date
from enum import StrEnum
from pathlib import Path
from typing import Any

import pandas as pd

from trialkit.files import write_set
from trialkit.reading.applications import PART_MARKS
from trialkit.reading.headers import field_of, normal
from trialkit.reading.headings import PLANTING
from trialkit.reading.keys import KEYS, VARIABLE_KEYS
from trialkit.reading.kinds import kind_of_name
from trialkit.reading.saving_counts import Value, clash, counts_table
from trialkit.reading.saving_text import cell_text, toml_key
from trialkit.reading.saving_text import number_text as number_text
from trialkit.reading.saving_text import toml_value as toml_value
from trialkit.reading.sources import LIST_OF_UNDERSTOOD, TEXT_TABLES, WORKBOOKS
from trialkit.reading.zero import DAY_ZERO_KEYS
from trialkit.trial import HARVEST_COLUMNS, Design, Settings, Trial


@dataclass(frozen=True, slots=True)
class _Sheet:
    """A table to write: name without ending, headings, rows."""

    name: str
    headers: tuple[str, ...]
    rows: tuple[tuple[Value, ...], ...]


def save_trial(trial: Trial, path: Path | str, *, understood: bool = False) -> tuple[Path, ...]:
    """Write a trial as a folder, or as a workbook where the path ends in .xlsx.

    What is written reads back as an equal trial. Each file is written under a temporary name
    and moved into place.

    Parameters
    ----------
    trial : Trial
    path : Path or str
        Folder, made where it does not exist, or workbook.
    understood : bool
        Whether a list is written beside of what each heading was taken for when the trial was
        read, and of what was odd (``understood.csv``, sheet ``Understood``). It is not read again.

    Returns
    -------
    tuple of Path
        The files written.

    Raises
    ------
    FileExistsError
        When the folder holds a table that this trial does not have; it would be read with it.
    ValueError
        When a text cannot be written, as control characters cannot in a workbook, or a share is
        no whole number of the units examined.
    OSError
        When a file cannot be written.

    Examples
    --------
    >>> import trialkit
    >>> trial = trialkit.read_trial(trialkit.example_trial("leaf_beetle_potato"))
    >>> paths = trialkit.save_trial(trial, "saved")
    >>> trialkit.read_trial("saved") == trial
    True
    """
    target = Path(path)
    sheets = _sheets(trial)
    if understood:
        sheets.append(_understood(trial))
    if target.suffix.casefold() in WORKBOOKS:
        if target.suffix.casefold() != ".xlsx":
            msg = "A workbook is written as .xlsx; give the path that ending."
            raise ValueError(msg)
        data = _workbook(trial, sheets)
        write_set({target: data})
        return (target,)
    files = {"trial.toml": _toml(trial).encode()}
    files |= {f"{sheet.name}.csv": _csv(sheet) for sheet in sheets}
    target.mkdir(parents=True, exist_ok=True)
    _refuse_strangers(target, files)
    write_set({target / name: data for name, data in files.items()})
    return tuple(target / name for name in files)


def _refuse_strangers(folder: Path, files: Mapping[str, bytes]) -> None:
    mine = {name.casefold() for name in files}
    for item in folder.iterdir():
        known = item.suffix.casefold() in TEXT_TABLES and kind_of_name(item.stem) is not None
        if known and item.name.casefold() not in mine:
            msg = f"The folder holds {item.name}, which is no part of this trial; take another."
            raise FileExistsError(msg)


# --- tables -----------------------------------------------------------------------------


def _sheets(trial: Trial) -> list[_Sheet]:
    sheets = [_treatments(trial), _plots(trial)]
    if not trial.counts.empty:
        sheets.append(_counts(trial))
    sheets += _yields(trial)
    if trial.applications:
        sheets.append(_applications(trial))
    sheets += [
        _facts(name, getattr(trial, name), always)
        for name, always in _FACTS.items()
        if not getattr(trial, name).empty
    ]
    return sheets


#: Tables beside plan and values, with the columns that are written even where they are empty.
_FACTS = {
    "doses": ("treatment", "application"),
    "assessments": ("day",),
    "weather": ("date",),
    "events": ("date", "what", "kind"),
}


def _facts(name: str, table: pd.DataFrame, always: tuple[str, ...]) -> _Sheet:
    known = [column for column in getattr(_EMPTY, name).columns if column in table]
    rows = [
        {str(column): _defined(value) for column, value in row.items()}
        for row in table.to_dict("records")
    ]
    extras = [
        {column: value for column, value in row.items() if column not in known} for row in rows
    ]
    return _sheet(name, known, always, rows, extras)


def _defined(value: Any) -> Value:
    return None if value is None or value != value else value


_EMPTY = Trial(title="", design=Design.CRD, treatments=(), plots=(), variables=())


def _understood(trial: Trial) -> _Sheet:
    taken = dict.fromkeys(trial.understood)
    odd = ((str(item.place), "", item.what, item.remedy) for item in trial.warnings)
    return _Sheet(
        LIST_OF_UNDERSTOOD,
        ("where", "written", "taken for", "what to do"),
        (*((*item, "") for item in taken), *odd),
    )


def _treatments(trial: Trial) -> _Sheet:
    known = (
        "treatment", "name", "role", "rate", "rate_unit", "mode_of_action", "cost_per_ha",
        "cost_per_acre", "parts", "applications",
    )  # fmt: skip
    rows: list[dict[str, Value]] = [
        {
            "treatment": item.id,
            "name": item.name,
            "role": item.role.value,
            "rate": item.rate,
            "rate_unit": item.rate_unit,
            "mode_of_action": item.mode_of_action,
            "cost_per_ha": item.cost_per_ha,
            "cost_per_acre": item.cost_per_acre,
            "parts": _joined(item.parts),
            "applications": _joined(item.applications),
        }
        for item in trial.treatments
    ]
    extras = [item.extra for item in trial.treatments]
    return _sheet("treatments", known, ("treatment", "name", "role"), rows, extras)


def _joined(parts: Sequence[str]) -> str | None:
    if not parts:
        return None
    for mark in PART_MARKS:
        if not any(mark in part for part in parts):
            return f"{mark} ".join(parts)
    msg = f"The ids {', '.join(parts)} hold every sign that could stand between them."
    raise ValueError(msg)


def _sheet(
    kind: str,
    known: Sequence[str],
    always: Iterable[str],
    rows: Sequence[dict[str, Value]],
    extras: Sequence[Mapping[str, Value]],
) -> _Sheet:
    """Known columns that hold anything, then further ones.

    A known column is also written empty where a further one has a heading that would
    otherwise be taken for it.
    """
    further = list(dict.fromkeys(key for extra in extras for key in extra))
    needed = set(always) | {field_of(kind, key) for key in further}
    chosen = [
        name for name in known if name in needed or any(row.get(name) is not None for row in rows)
    ]
    return _Sheet(
        kind,
        (*chosen, *further),
        tuple(
            (*(row.get(name) for name in chosen), *(extra.get(key) for key in further))
            for row, extra in zip(rows, extras, strict=True)
        ),
    )


def _plots(trial: Trial) -> _Sheet:
    known = (
        "plot", "replicate", "block", "row", "column", "treatment", "main_plot", "main_factor",
        "sub_factor",
    )  # fmt: skip
    rows: list[dict[str, Value]] = [
        {"plot": item.id, **{name: getattr(item, name) for name in known[1:]}}
        for item in trial.plots
    ]
    return _sheet("plots", known, ("plot", "treatment"), rows, [{}] * len(rows))


def _counts(trial: Trial) -> _Sheet:
    headers, rows = counts_table(trial)
    return _Sheet("counts", headers, rows)


def _yields(trial: Trial) -> list[_Sheet]:
    yields, harvest = trial.yields, trial.harvest
    if yields.empty and harvest.empty:
        return []
    names = list(dict.fromkeys(yields["variable"]))
    if clash("yield", names):
        rows = tuple((plot, name, value) for plot, name, value in yields.itertuples(index=False))
        sheets = [_Sheet("yield", ("plot", "variable", "value"), rows)]
        return sheets + ([] if harvest.empty else [_wide("harvest", trial, [], harvest)])
    return [_wide("yield", trial, names, harvest)]


def _wide(name: str, trial: Trial, names: Sequence[str], harvest: pd.DataFrame) -> _Sheet:
    columns: dict[str, dict[str, float]] = {}
    if not harvest.empty:
        for column in HARVEST_COLUMNS[1:]:
            if harvest[column].notna().any():
                columns[column] = dict(zip(harvest["plot"], harvest[column], strict=True))
    for variable in names:
        table = trial.yields[trial.yields["variable"] == variable]
        columns[variable] = dict(zip(table["plot"], table["value"], strict=True))
    plots = [p.id for p in trial.plots if any(p.id in column for column in columns.values())]
    rows = tuple((plot, *(column.get(plot) for column in columns.values())) for plot in plots)
    return _Sheet(name, ("plot", *columns), rows)


def _applications(trial: Trial) -> _Sheet:
    known = (
        "application", "date", "carrier_l_per_ha", "carrier_gal_per_acre", "method",
        "growth_stage", "equipment",
    )  # fmt: skip
    rows: list[dict[str, Value]] = [
        {"application": item.id, **{name: getattr(item, name) for name in known[1:]}}
        for item in trial.applications
    ]
    details = [item.details for item in trial.applications]
    return _sheet("applications", known, ("application", "date"), rows, details)


# --- text --------------------------------------------------------------------------------


def _csv(sheet: _Sheet) -> bytes:
    stream = io.StringIO(newline="")
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(sheet.headers)
    writer.writerows([cell_text(value) for value in row] for row in sheet.rows)
    text = stream.getvalue()
    # Spreadsheets take a text file for UTF-8 only where it says so.
    return text.encode("utf-8" if text.isascii() else "utf-8-sig")


def trial_keys(trial: Trial) -> list[tuple[tuple[str, ...], Any]]:
    """Keys of the trial in the order in which they are written."""
    keys: list[tuple[tuple[str, ...], Any]] = [((name,), getattr(trial, name)) for name in KEYS]
    keys += [((name,), text) for name, text in trial.extra.items()]
    if trial.counted_from == PLANTING and not {normal(key) for key in trial.extra} & DAY_ZERO_KEYS:
        keys.append((("day_zero",), PLANTING))
    for variable in trial.variables:
        keys += [
            (("variables", variable.name, name), getattr(variable, name)) for name in VARIABLE_KEYS
        ]
    keys += [(("report", name), text) for name, text in trial.report.items()]
    keys += [
        (("analysis", item.name), getattr(trial.settings, item.name)) for item in fields(Settings)
    ]
    keys += [
        (tuple(name.split(".", 1)), int(text) if text.isdecimal() else text)
        for name, text in sorted(trial.plan.items(), key=lambda item: item[0].partition(".")[0])
    ]
    return [(path, value) for path, value in keys if value is not None and value != ()]


def _toml(trial: Trial) -> str:
    lines: list[str] = []
    section: tuple[str, ...] = ()
    for path, value in trial_keys(trial):
        if path[:-1] != section:
            section = path[:-1]
            lines += ["", "[" + ".".join(toml_key(part) for part in section) + "]"]
        lines.append(f"{toml_key(path[-1])} = {toml_value(value)}")
    return "\n".join(lines) + "\n"


# --- workbook ----------------------------------------------------------------------------


def _workbook(trial: Trial, sheets: Sequence[_Sheet]) -> bytes:
    import openpyxl
    from openpyxl.utils.exceptions import IllegalCharacterError

    book = openpyxl.Workbook(write_only=False)
    book.remove(book.worksheets[0])
    keys = [(path, _plain(value)) for path, value in trial_keys(trial)]
    own = tuple((".".join(path), value) for path, value in keys if path[0] != "report")
    texts = tuple((path[-1], value) for path, value in keys if path[0] == "report")
    report = [_Sheet("report", ("key", "value"), texts)] if texts else []
    try:
        for sheet in (_Sheet("trial", ("key", "value"), own), *sheets, *report):
            page = book.create_sheet(sheet.name.capitalize())
            for number, row in enumerate((sheet.headers, *sheet.rows), 1):
                for index, value in enumerate(row, 1):
                    _write(page.cell(number, index), value)
            page.freeze_panes = "A2"
    except IllegalCharacterError as fault:
        msg = "A text of the trial holds control characters, which a workbook cannot keep."
        raise ValueError(msg) from fault
    stream = io.BytesIO()
    book.save(stream)
    return stream.getvalue()


def _plain(value: Any) -> Value:
    if isinstance(value, StrEnum):
        return str(value.value)
    if isinstance(value, float | int | date):
        return value
    if isinstance(value, tuple):
        return "; ".join(value)
    return str(value)


def _write(cell: Any, value: Value) -> None:
    if value is None or (isinstance(value, float) and math.isnan(value)):
        return
    cell.value = value
    if isinstance(value, str):
        # Text that looks like a formula or an error stays text.
        cell.data_type = "s"
        cell.number_format = "@"
    elif isinstance(value, float) and float(f"{value:.16g}") != value:
        # The writer keeps 16 digits; the text of a number keeps all 17.
        cell.value = repr(value)
        cell.data_type = "n"
