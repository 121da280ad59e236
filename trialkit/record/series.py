"""A series as a record, and back: what every trial gave, and every table made of it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import fields, replace
from datetime import datetime
from types import MappingProxyType
from typing import Any

import numpy as np
import pandas as pd

from trialkit.record.reading import damaged
from trialkit.record.writing import (
    AS_READ,
    SERIES_FORMAT,
    environment,
    plain,
    plain_finding,
    record_text,
)
from trialkit.resources import installed_version
from trialkit.rows import Rows
from trialkit.series.matched import (
    CONTROL_ROWS,
    HELD_ROWS,
    Cell,
    LogRatios,
    Matched,
    Means,
    SeriesSettings,
    SeriesTrial,
    SeriesVariable,
    Window,
)
from trialkit.series.options import Named, SeriesOptions
from trialkit.series.pooled import pooled_tables
from trialkit.series.result import SeriesAnalysis, SeriesInput, TreatmentFacts
from trialkit.trial import Comparison, TreatmentRole, VariableRole

#: Columns of rows that hold no numbers.
_OTHER_COLUMNS = (
    "trial",
    "variable",
    "measure",
    "window",
    "treatment",
    "days_after",
    "to_the_last",
    "note",
)


def make_series_record(analysis: SeriesAnalysis, made: datetime) -> str:
    """Bring a series to the form of its record: JSON, one row of a table a line.

    Parameters
    ----------
    analysis : SeriesAnalysis
    made : datetime
        When the analysis was made.
    """
    return record_text(series_parts(analysis, made))


def series_parts(analysis: SeriesAnalysis, made: datetime) -> dict[str, Any]:
    """Gather what the record of a series holds; for the parameters see `make_series_record`."""
    return {
        "format": SERIES_FORMAT,
        "trialkit": installed_version("trialkit"),
        "made": made.isoformat(timespec="seconds"),
        "inputs": [plain(item) for item in analysis.inputs],
        "settings": {
            **_options(analysis.options),
            "taken": plain(analysis.matched.settings),
        },
        "series": {
            "title": analysis.title,
            "crop": analysis.crop,
            "facts": plain(analysis.facts),
            **_series(analysis.matched),
        },
        "environment": environment(),
        "tables": {name: Rows.of(table) for name, table in analysis.tables.items()},
        "findings": [plain_finding(item) for item in analysis.findings],
        "problems": [plain(problem) for problem in analysis.problems],
    }


def _options(options: SeriesOptions) -> dict[str, Any]:
    found = {item.name: getattr(options, item.name) for item in fields(options)}
    found["windows"] = [window.name for window in options.windows]
    for name in ("treatments", "variables"):
        found[name] = {key: [list(item) for item in names] for key, names in found[name].items()}
    made: dict[str, Any] = plain(found)
    return made


def _series(matched: Matched) -> dict[str, Any]:
    return {
        "trials": [plain(trial) for trial in matched.trials],
        "treatments": [list(pair) for pair in matched.treatments],
        "variables": [plain(item) for item in matched.variables],
        "windows": [[window.name, window.first, _end(window.last)] for window in matched.windows],
        "rows": Rows.of(matched.rows),
        "ratios": [
            {
                **cell._asdict(),
                "treatments": list(part.treatments),
                "estimates": part.estimates.tolist(),
                "covariance": part.covariance.tolist(),
                "counted": part.counted.tolist(),
                "df": plain(part.df),
            }
            for cell, part in matched.ratios.items()
        ],
        "means": [_plain_means(part) for part in matched.means],
        "held": Rows.of(matched.held),
    }


def _end(last: float) -> float | None:
    return last if np.isfinite(last) else None


def _plain_means(part: Means) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for item in fields(part):
        value = getattr(part, item.name)
        found[item.name] = plain(value.tolist() if isinstance(value, np.ndarray) else value)
    return found


def series_from_record(record: Mapping[str, Any]) -> SeriesAnalysis:
    """Make a series again from its record, and combine it anew.

    Raises
    ------
    TrialError
        When the format is not known, or a part is missing or damaged.
    """
    if record.get("format") != SERIES_FORMAT:
        raise damaged(
            f"it has format {record.get('format')!r}, and this version reads {SERIES_FORMAT!r}"
        )
    try:
        matched = _matched(record["series"], record["settings"])
        options = _options_from(record["settings"])
        inputs = tuple(
            SeriesInput(**{**row, "files": tuple(tuple(pair) for pair in row["files"])})
            for row in record["inputs"]
        )
        title, crop = (str(record["series"][name]) for name in ("title", "crop"))
        facts = {name: _facts(row) for name, row in record["series"]["facts"].items()}
    except (KeyError, TypeError, ValueError, AttributeError, IndexError) as fault:
        raise damaged(str(fault)) from fault
    return SeriesAnalysis(
        title=title,
        options=options,
        matched=matched,
        tables=MappingProxyType(dict(pooled_tables(matched))),
        inputs=inputs,
        facts=MappingProxyType(facts),
        crop=crop,
    )


def _facts(row: Mapping[str, Any]) -> TreatmentFacts:
    return TreatmentFacts(
        **{**row, "role": TreatmentRole(row["role"]), "groups": tuple(row["groups"])}
    )


def _options_from(plain_options: Mapping[str, Any]) -> SeriesOptions:
    given = {key: value for key, value in plain_options.items() if key != "taken"}
    for name in ("treatments", "variables"):
        given[name] = MappingProxyType(
            {key: tuple(Named(*item) for item in names) for key, names in given[name].items()}
        )
    return SeriesOptions(**given)


def _matched(series: Mapping[str, Any], settings: Mapping[str, Any]) -> Matched:
    taken = dict(settings["taken"])
    return Matched(
        trials=tuple(SeriesTrial(**row) for row in series["trials"]),
        treatments=tuple((str(name), str(label)) for name, label in series["treatments"]),
        variables=tuple(
            SeriesVariable(**{**row, "role": VariableRole(row["role"])})
            for row in series["variables"]
        ),
        windows=tuple(
            Window(name, first, float("inf") if last is None else last)
            for name, first, last in series["windows"]
        ),
        settings=SeriesSettings(**{**taken, "comparison": Comparison(taken["comparison"])}),
        rows=_rows(series["rows"], CONTROL_ROWS),
        ratios=MappingProxyType(dict(_ratios(series["ratios"]))),
        means=tuple(_means(row) for row in series["means"]),
        held=_rows(series.get("held", ()), HELD_ROWS),
    )


def _rows(rows: Sequence[Mapping[str, Any]], names: Sequence[str]) -> pd.DataFrame:
    return pd.DataFrame(
        {
            name: pd.Series(
                [row[name] for row in rows], dtype=object if name in _OTHER_COLUMNS else float
            )
            for name in names
        }
    )


def _ratios(rows: Sequence[Mapping[str, Any]]) -> Iterator[tuple[Cell, LogRatios]]:
    for row in rows:
        cell = Cell(**{name: row[name] for name in Cell._fields})
        yield (
            cell,
            LogRatios(
                treatments=tuple(row["treatments"]),
                estimates=np.array(row["estimates"], dtype=float),
                covariance=np.array(row["covariance"], dtype=float),
                counted=np.array(row["counted"], dtype=float),
                df=float("inf") if row["df"] is None else float(row["df"]),
            ),
        )


def _means(row: Mapping[str, Any]) -> Means:
    arrays = {
        name: np.array(row[name], dtype=float) for name in ("means", "unit_covariance", "plots")
    }
    return Means(**{**row, **arrays, "treatments": tuple(row["treatments"])})


def with_tables_as_read(analysis: SeriesAnalysis, record: Mapping[str, Any]) -> SeriesAnalysis:
    """Take over the tables that tell how trials were read."""
    kept = {name: pd.DataFrame(record["tables"].get(name, [])) for name in AS_READ}
    return replace(analysis, tables=MappingProxyType({**analysis.tables, **kept}))
