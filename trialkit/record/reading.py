"""From a record.json back to the trial that it was made of."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from datetime import date
from pathlib import Path
from types import MappingProxyType
from typing import Any

import pandas as pd

from trialkit.analysis.result import empty_table
from trialkit.files import read_regular
from trialkit.problems import Place, Problem, Severity, TrialError, error
from trialkit.record.digest import digests_of
from trialkit.record.writing import FORMAT, SERIES_FORMAT, is_series
from trialkit.trial import (
    EXAMINED,
    Application,
    Better,
    Design,
    Kind,
    Plot,
    Settings,
    Transform,
    Treatment,
    TreatmentRole,
    Trial,
    Variable,
    VariableRole,
)
from trialkit.trial_faults import FACTS, trial_faults
from trialkit.trial_tables import UNDATED, text_column

#: A record with more bytes is not read.
MAX_BYTES = 200_000_000


def read_record(path: Path) -> dict[str, Any]:
    """Read a record.json, or the series.json of several trials.

    Raises
    ------
    TrialError
        When the file cannot be read or is no record.

    Examples
    --------
    >>> import trialkit
    >>> trial = trialkit.example_trial("leaf_beetle_potato")
    >>> written = trialkit.report_trial(trial, "report", formats=())
    >>> trialkit.read_record(written.paths[-1])["format"]
    1
    """
    try:
        record = json.loads(read_regular(path, MAX_BYTES).decode("utf-8"))
    except (OSError, ValueError, RecursionError) as fault:
        raise TrialError(
            [
                error(
                    "record-unreadable",
                    f"The record could not be read ({getattr(fault, 'strerror', None) or fault}).",
                    "Give the record.json that the report wrote.",
                    Place(file=path.name),
                )
            ]
        ) from fault
    if not isinstance(record, dict) or not {"trial", "series"} & set(record):
        raise TrialError(
            [
                error(
                    "record-none",
                    "The file is JSON but no record of a trial.",
                    "Give the record.json that the report wrote.",
                    Place(file=path.name),
                )
            ]
        )
    return record


#: Parts of a record that hold the trial, and from which it is made again.
_OF_TRIAL = ("format", "inputs", "settings", "trial", "problems")
_KEY = re.compile(r'\n "([a-z]+)": ')
_TABLE = re.compile(r'\n  "([a-z_]+)": ')


def read_trial_of_record(
    path: Path, tables: Sequence[str] = ()
) -> tuple[Trial, dict[str, pd.DataFrame] | None]:
    """Read the trial of a record, and of its results some tables alone.

    A record that stands as it was written is not checked again for what makes a trial unsound.

    Parameters
    ----------
    path : Path
    tables : sequence of str
        Tables of the schema.

    Returns
    -------
    trial : Trial
    tables : dict of str to DataFrame, or None
        None where the results are not as they were written: they are to be made anew.

    Raises
    ------
    TrialError
        When the file cannot be read, is no record, or its trial is damaged.
    """
    try:
        text = read_regular(path, MAX_BYTES).decode("utf-8")
        parts = _cut(text, _KEY)
        kept = json.loads(parts.get("digest", "null").rstrip().removesuffix("}"))
        record = {name: json.loads(parts[name]) for name in _OF_TRIAL}
        same = {name: kept.get(name) == digest for name, digest in digests_of(parts).items()}
        found = _cut(parts["tables"], _TABLE) if same["results"] else {}
        results = {
            name: json.loads(found[name].rstrip().removesuffix("}"))
            for name in tables
            if name in found
        }
    except (OSError, UnicodeDecodeError, ValueError, KeyError, AttributeError, RecursionError):
        return trial_from_record(read_record(path)), None  # laid out in another way, or none
    whole = same["data"] and same["settings"] and record["format"] == FORMAT
    trial = _build(record) if whole else trial_from_record(record)
    if not (whole and same["results"]):
        return trial, None
    return trial, {name: _frame(rows, empty_table(name)) for name, rows in results.items()}


def _cut(text: str, head: re.Pattern[str]) -> dict[str, str]:
    """Cut a text at its keys, each at the head of a line: no text of JSON breaks a line."""
    heads = list(head.finditer(text))
    ends = [item.start() - 1 for item in heads[1:]] + [len(text)]
    return {item[1]: text[item.end() : end] for item, end in zip(heads, ends, strict=True)}


def _frame(rows: Sequence[Mapping[str, Any]], template: pd.DataFrame) -> pd.DataFrame:
    return pd.DataFrame(
        {
            name: pd.Series([row.get(name) for row in rows], dtype=template[name].dtype)
            for name in template.columns
        }
    )


def _facts(rows: Sequence[Mapping[str, Any]], template: pd.DataFrame) -> pd.DataFrame:
    """Make a table of facts again, with the columns that stand beside those of the template."""
    further = [name for name in (rows[0] if rows else ()) if name not in template.columns]
    for name in further:
        cells = [row.get(name) for row in rows]
        texts = any(isinstance(cell, str) for cell in cells)
        template = template.assign(**{name: pd.Series([], dtype=object if texts else float)})
    frame = _frame(rows, template)
    return (
        frame.assign(date=text_column(_day(text) for text in frame["date"]))
        if "date" in frame
        else frame
    )


def _day(text: str | None) -> date | None:
    return date.fromisoformat(text) if text else None


def _text_map(values: Mapping[str, Any]) -> Mapping[str, str]:
    return MappingProxyType({str(key): str(value) for key, value in values.items()})


def _treatment(row: Mapping[str, Any]) -> Treatment:
    return Treatment(
        **{
            **row,
            "role": TreatmentRole(row["role"]),
            "parts": tuple(row["parts"]),
            "applications": tuple(row["applications"]),
            "extra": _text_map(row["extra"]),
        }
    )


def _variable(row: Mapping[str, Any]) -> Variable:
    transform, better = row["transform"], row.get("better")
    return Variable(
        **{
            **row,
            "kind": Kind(row["kind"]),
            "role": VariableRole(row["role"]),
            "transform": Transform(transform) if transform else None,
            "better": Better(better) if better else None,
        }
    )


def _application(row: Mapping[str, Any]) -> Application:
    return Application(
        **{**row, "date": date.fromisoformat(row["date"]), "details": _text_map(row["details"])}
    )


def _settings(row: Mapping[str, Any]) -> Settings:
    return Settings(**row)


def _problem(row: Mapping[str, Any]) -> Problem:
    severity = Severity(row["severity"])
    return Problem(**{**row, "severity": severity, "place": Place(**row["place"])})


def trial_from_record(record: Mapping[str, Any]) -> Trial:
    """Make the trial of a record again.

    Raises
    ------
    TrialError
        When the record's format is not known, or a part of it is missing or damaged.
    """
    if "series" in record:
        raise TrialError(
            [
                error(
                    "record-of-series",
                    "This is the record of several trials, where that of one is asked for.",
                    "Give the record.json of a trial; trialkit rerun and compare take both.",
                )
            ]
        )
    refuse_other_formats(record)
    trial = _build(record)
    faults = trial_faults(trial)
    if faults:
        raise damaged(*(problem.what.rstrip(".") for problem in faults))
    return trial


def refuse_other_formats(record: Mapping[str, Any]) -> None:
    """Refuse a record that a later version wrote, or none.

    Raises
    ------
    TrialError
        When its format is not the one that this version reads.
    """
    known = SERIES_FORMAT if is_series(record) else FORMAT
    if record.get("format") != known:
        raise TrialError(
            [
                error(
                    "record-format",
                    f"This record has format {record.get('format')!r}; this version reads {known}.",
                    "Use the version of trialkit that is named in the record.",
                )
            ]
        )


def _build(record: Mapping[str, Any]) -> Trial:
    """Make the trial, and say so where a part that it needs is missing or garbled."""
    try:
        return _build_trial(record)
    except TrialError as fault:
        raise damaged(*(problem.what.rstrip(".") for problem in fault.problems)) from fault
    except (KeyError, TypeError, ValueError, AttributeError, OverflowError) as fault:
        raise damaged(str(fault)) from fault


def damaged(*faults: str) -> TrialError:
    """What is said of a record with parts that are missing or not as they were written."""
    return TrialError(
        error(
            "record-damaged",
            f"The record lacks or garbles a part that is needed ({fault}).",
            "Use the record.json as the report wrote it.",
        )
        for fault in faults
    )


def _build_trial(record: Mapping[str, Any]) -> Trial:
    plain = dict(record["trial"])
    empty = Trial(title="", design=Design.CRD, treatments=(), plots=(), variables=())
    for name in ("counts", "yields", "harvest"):
        template = getattr(empty, name)
        if name == "counts" and any(EXAMINED in row for row in plain[name]):
            template = template.assign(**{EXAMINED: pd.Series([], dtype=float)})
        plain[name] = _frame(plain[name], template)
    for name in FACTS:
        plain[name] = _facts(plain[name], getattr(empty, name))
    if plain.get("undated"):
        for name in ("counts", "assessments"):
            plain[name] = plain[name].assign(day=plain[name]["day"].fillna(UNDATED))
    return Trial(
        **{
            **plain,
            "design": Design(plain["design"]),
            "main_plots": Design(plain["main_plots"]) if plain.get("main_plots") else None,
            "treatments": tuple(_treatment(row) for row in plain["treatments"]),
            "plots": tuple(Plot(**row) for row in plain["plots"]),
            "variables": tuple(_variable(row) for row in plain["variables"]),
            "applications": tuple(_application(row) for row in plain["applications"]),
            "applied": _day(plain["applied"]),
            "extra": _text_map(plain["extra"]),
            "plan": _text_map(plain.get("plan", {})),
            "report": _text_map(plain["report"]),
            "understood": tuple(tuple(row) for row in plain["understood"]),
            "settings": _settings(record["settings"]),
            "warnings": tuple(_problem(row) for row in record["problems"] if row["place"]["file"]),
            "inputs": tuple((row["name"], row["sha256"]) for row in record["inputs"]),
        }
    )
