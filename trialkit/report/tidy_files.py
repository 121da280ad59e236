"""Every table of the analysis as a tidy file, with a file that says what each column holds."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from types import NoneType
from typing import TYPE_CHECKING

from trialkit.analysis import schema
from trialkit.numerals import UNDEFINED, Digits
from trialkit.rows import Rows, TableRows, Tables
from trialkit.trial import Trial

if TYPE_CHECKING:
    from trialkit.series.rows import SeriesTables

#: File that says what the columns of the others hold.
SCHEMA = "schema.csv"
#: Tables of the trial as it was read.
_AS_READ = ("counts", "yields", "harvest")


def tidy_files(tables: Tables) -> dict[str, bytes]:
    """Write the tables of an analysis, and of its trial, as files of comma-separated values.

    Parameters
    ----------
    tables : Tables

    Returns
    -------
    dict of str to bytes
        Content by name of the file, in UTF-8. Numbers carry every digit; what is undefined is an
        empty cell. A text that a spreadsheet would take for a formula begins with an apostrophe.
        Tables without rows have no file.
    """
    return {**_result_files(tables, schema.TABLES), **_trial_files(tables)}


def series_tidy_files(tables: SeriesTables) -> dict[str, bytes]:
    """Write the tables of a series in the same way."""
    return _result_files(tables, schema.SERIES_TABLES)


def _result_files(tables: TableRows, known: Mapping[str, schema.Table]) -> dict[str, bytes]:
    made: dict[str, bytes] = {}
    about: list[Sequence[str]] = []
    for table in known.values():
        rows = tables[table.name]
        if not len(rows):
            continue
        name = f"{table.name}.csv"
        made[name] = csv_file(rows.columns, [_texts(rows, column) for column in rows.columns])
        for column in table.columns:
            unit = schema.UNITS.get(column.unit, column.unit)
            about.append((name, column.name, column.kind, column.heading, unit, column.meaning))
    heads = ("file", "column", "kind", "heading", "unit", "meaning")
    made[SCHEMA] = csv_file(heads, list(zip(*about, strict=True)) if about else [()] * len(heads))
    return made


def _trial_files(tables: Tables) -> dict[str, bytes]:
    made = {"plots.csv": _plots(tables.trial), "treatments.csv": _treatments(tables.trial)}
    for name in _AS_READ:
        rows = tables.as_read(name)
        if len(rows):
            made[f"{name}.csv"] = csv_file(rows.columns, [_texts(rows, c) for c in rows.columns])
    return made


def _plots(trial: Trial) -> bytes:
    heads = ("plot", "treatment", "block", "row", "column")
    columns = [
        [cell_text(getattr(plot, "id" if head == "plot" else head)) for plot in trial.plots]
        for head in heads
    ]
    return csv_file(heads, columns)


def _treatments(trial: Trial) -> bytes:
    heads = ("treatment", "name", "role", "rate", "rate_unit")
    columns = [
        [
            cell_text(getattr(item, "id" if head == "treatment" else head))
            for item in trial.treatments
        ]
        for head in heads
    ]
    return csv_file(heads, columns)


def _texts(rows: Rows, column: str) -> list[str]:
    values = rows[column]
    kinds = set(map(type, values))
    if kinds == {float}:
        return ["" if text == UNDEFINED else text for text in rows.digits(column)]
    if kinds <= {str, NoneType}:
        # The same few texts stand in most rows.
        texts = {value: cell_text(value) for value in set(values)}
        return [texts[value] for value in values]
    return [cell_text(value) for value in values]


def cell_text(value: object) -> str:
    """Write one cell: every digit, nothing where undefined, no text that is a formula."""
    if value is None or value != value:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | float):
        return Digits.of([float(value)])[0]
    text = str(value)
    return f"'{text}" if text[:1] in {"=", "+", "-", "@", "\t", "\r"} else text


def csv_file(heads: Iterable[str], columns: Sequence[Sequence[str]]) -> bytes:
    """Write columns of cells as comma-separated values."""
    lines = [",".join(map(_quoted, heads))]
    lines += map(",".join, zip(*map(_quoted_column, columns), strict=True))
    # A line of one empty cell would be no line.
    text = "\n".join([line if line else '""' for line in lines])
    return f"{text}\n".encode()


#: What a cell has to be quoted for.
_QUOTED = re.compile('[,"\r\n]')


def _quoted(text: str) -> str:
    return '"' + text.replace('"', '""') + '"' if _QUOTED.search(text) else text


def _quoted_column(texts: Sequence[str]) -> Sequence[str]:
    """Quote the cells of a column that need it; few columns have any, and no numbers do."""
    return list(map(_quoted, texts)) if _QUOTED.search("".join(texts)) else texts
