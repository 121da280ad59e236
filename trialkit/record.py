"""The record: all that is needed to run an analysis again, and to check that it agrees."""

from __future__ import annotations

import json
import platform
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, fields, is_dataclass
from datetime import date, datetime
from enum import Enum
from itertools import repeat
from math import isfinite
from pathlib import Path
from types import MappingProxyType, NoneType
from typing import Any

import pandas as pd

from trialkit.analysis import Analysis, analyse
from trialkit.files import write_whole
from trialkit.findings import make_findings
from trialkit.numerals import LARGEST_WHOLE
from trialkit.problems import Place, Problem, Severity, TrialError, error
from trialkit.record_shape import trial_faults
from trialkit.resources import installed_version
from trialkit.rows import Rows, Tables, columns_of
from trialkit.trial import (
    EXAMINED,
    Application,
    Comparison,
    ControlMethod,
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

FORMAT = 1
PACKAGES = ("numpy", "pandas", "scipy", "statsmodels", "plotnine", "openpyxl")
#: Two numbers are the same when they differ by less than this share (other machines and
#: versions of the libraries round the last digits in their own way).
TOLERANCE = 1e-9
_JSON = json.JSONEncoder(ensure_ascii=False, allow_nan=False)


def _plain(value: object) -> Any:
    """Bring a value to what JSON holds; undefined numbers become null, whole ones integers."""
    if isinstance(value, Enum):
        return value.value
    if value is None or isinstance(value, str | int):
        return value
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, Mapping):
        return {str(key): _plain(item) for key, item in value.items()}
    if is_dataclass(value) and not isinstance(value, type):
        return {item.name: _plain(getattr(value, item.name)) for item in fields(value)}
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    number = float(value)  # type: ignore[arg-type]
    if not isfinite(number):
        return None
    return int(number) if number.is_integer() and abs(number) < LARGEST_WHOLE else number


def rows_of(table: pd.DataFrame) -> list[dict[str, Any]]:
    """List the rows of a table as plain dictionaries, undefined numbers as None."""
    columns = {name: map(_plain, values) for name, values in columns_of(table).items()}
    return [dict(zip(columns, row, strict=True)) for row in zip(*columns.values(), strict=True)]


def _trial_parts(tables: Tables) -> dict[str, Any]:
    """Bring a trial to lists, dictionaries and tables, without its settings."""
    parts: dict[str, Any] = {}
    for item in fields(tables.trial):
        if item.name not in {"settings", "warnings", "inputs"}:
            value = getattr(tables.trial, item.name)
            frame = isinstance(value, pd.DataFrame)
            parts[item.name] = tables.as_read(item.name) if frame else _plain(value)
    return parts


def make_record(
    analysis: Analysis, findings: Sequence[str], made: datetime, tables: Tables | None = None
) -> str:
    """Bring an analysis to the record's form: JSON, one row of a table a line.

    Parameters
    ----------
    analysis : Analysis
    findings : sequence of str
        The sentences of the report.
    made : datetime
        When the analysis was made.
    tables : Tables, optional
        Its tables as rows, where they are at hand.
    """
    trial, read = analysis.trial, tables or Tables(analysis)
    parts = {
        "format": FORMAT,
        "trialkit": installed_version("trialkit"),
        "made": made.isoformat(timespec="seconds"),
        "inputs": [{"name": name, "sha256": digest} for name, digest in trial.inputs],
        "settings": _plain(trial.settings),
        "trial": _trial_parts(read),
        "environment": {
            "python": platform.python_version(),
            **{name: installed_version(name) for name in PACKAGES},
        },
        "tables": {name: read[name] for name in analysis.tables()},
        "findings": list(findings),
        "problems": [_plain(problem) for problem in analysis.problems],
    }
    return _layout(parts, 0) + "\n"


def write_record(record: str, path: Path) -> None:
    """Write a record to a file, moved into place when it is whole."""
    write_whole(path, record.encode("utf-8"))


#: How deep the record is broken into lines: its keys, its tables, their rows.
_DEPTH = 3


def _layout(value: Any, depth: int) -> str:
    line = "\n" + " " * (depth + 1)
    if isinstance(value, Mapping) and value and depth < _DEPTH:
        left, right = "{}"
        parts = [f"{_dump(key)}: {_layout(item, depth + 1)}" for key, item in value.items()]
    elif isinstance(value, Rows):
        left, right = "[]"
        parts = _row_texts(value)
    elif isinstance(value, list) and depth < _DEPTH:
        left, right = "[]"
        parts = [_dump(item) for item in value]
    else:
        return _dump(value)
    if not parts:
        return left + right
    return f"{left}{line}{f',{line}'.join(parts)}\n{' ' * depth}{right}"


def _row_texts(rows: Rows) -> list[str]:
    """Rows as JSON, one object each; written by columns, far faster than by rows."""
    parts: list[Iterable[str]] = []
    for name in rows.columns:
        parts += [repeat(f"{', ' if parts else '{'}{_dump(name)}: "), _cell_texts(rows, name)]
    return list(map("".join, zip(*parts, repeat("}"), strict=False)))


def _cell_texts(rows: Rows, column: str) -> Sequence[str]:
    values = rows[column]
    kinds = set(map(type, values))
    if kinds == {float}:
        return rows.digits(column)
    if kinds <= {str, bool, NoneType}:
        words = {value: _dump(value) for value in set(values)}
        return [words[value] for value in values]
    return [_dump(_plain(value)) for value in values]


def _dump(value: Any) -> str:
    return _JSON.encode(value)


def _frame(rows: Sequence[Mapping[str, Any]], template: pd.DataFrame) -> pd.DataFrame:
    return pd.DataFrame(
        {
            name: pd.Series([row.get(name) for row in rows], dtype=template[name].dtype)
            for name in template.columns
        }
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
            "extra": _text_map(row["extra"]),
        }
    )


def _variable(row: Mapping[str, Any]) -> Variable:
    transform = row["transform"]
    return Variable(
        **{
            **row,
            "kind": Kind(row["kind"]),
            "role": VariableRole(row["role"]),
            "transform": Transform(transform) if transform else None,
        }
    )


def _application(row: Mapping[str, Any]) -> Application:
    return Application(
        **{**row, "date": date.fromisoformat(row["date"]), "details": _text_map(row["details"])}
    )


def _settings(row: Mapping[str, Any]) -> Settings:
    return Settings(
        **{
            **row,
            "comparison": Comparison(row["comparison"]),
            "transform": Transform(row["transform"]),
            "control": ControlMethod(row["control"]),
            "factors": tuple(row.get("factors", ())),
            "contrasts": tuple(row.get("contrasts", ())),
        }
    )


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
    if record.get("format") != FORMAT:
        raise TrialError(
            [
                error(
                    "record-format",
                    f"This record has format {record.get('format')!r}; "
                    f"this version reads {FORMAT}.",
                    "Use the version of trialkit that is named in the record.",
                )
            ]
        )
    try:
        trial = _build_trial(record)
    except (KeyError, TypeError, ValueError, AttributeError, OverflowError) as fault:
        raise _damaged(str(fault)) from fault
    faults = trial_faults(trial)
    if faults:
        raise _damaged(*faults)
    return trial


def _damaged(*faults: str) -> TrialError:
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
            "understood": tuple(tuple(row) for row in plain["understood"]),
            "settings": _settings(record["settings"]),
            "warnings": tuple(_problem(row) for row in record["problems"] if row["place"]["file"]),
            "inputs": tuple((row["name"], row["sha256"]) for row in record["inputs"]),
        }
    )


@dataclass(frozen=True, slots=True)
class Difference:
    """One number or word that came out otherwise when the record was run again."""

    table: str
    row: int
    column: str
    recorded: object
    found: object

    def __str__(self) -> str:
        return (
            f"{self.table}, row {self.row + 1}, {self.column}: "
            f"recorded {self.recorded!r}, now {self.found!r}"
        )


@dataclass(frozen=True, slots=True)
class Agreement:
    """Outcome of running a record again.

    Attributes
    ----------
    differences : tuple of Difference
    compared : int
        How many numbers and words were compared.
    largest : float
        Largest relative difference among the numbers called the same.
    """

    differences: tuple[Difference, ...]
    compared: int
    largest: float

    @property
    def same(self) -> bool:
        """Whether everything came out as recorded."""
        return not self.differences


def _relative(recorded: float, found: float) -> float:
    if recorded == found:
        return 0.0
    return abs(recorded - found) / max(abs(recorded), abs(found))


def compare_tables(
    recorded: Mapping[str, Sequence[Mapping[str, Any]]],
    found: Mapping[str, Sequence[Mapping[str, Any]]],
) -> Agreement:
    """Compare the tables of a record with tables made again, cell by cell."""
    differences: list[Difference] = []
    compared, largest = 0, 0.0
    for name in sorted({*recorded, *found}):
        old, new = recorded.get(name, ()), found.get(name, ())
        if len(old) != len(new):
            differences.append(Difference(name, 0, "number of rows", len(old), len(new)))
        for index, (before, after) in enumerate(zip(old, new, strict=False)):
            for column in sorted({*before, *after}):
                compared += 1
                left, right = before.get(column), after.get(column)
                if _is_number(left) and _is_number(right):
                    gap = _relative(float(left), float(right))  # type: ignore[arg-type]
                    if gap > TOLERANCE:
                        differences.append(Difference(name, index, column, left, right))
                    else:
                        largest = max(largest, gap)
                elif left != right:
                    differences.append(Difference(name, index, column, left, right))
    return Agreement(tuple(differences), compared, largest)


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def read_record(path: Path) -> dict[str, Any]:
    """Read a record.json.

    Raises
    ------
    TrialError
        When the file cannot be read or is no record.
    """
    try:
        record = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError) as fault:
        raise TrialError(
            [
                error(
                    "record-unreadable",
                    f"The record could not be read ({fault}).",
                    "Give the record.json that the report wrote.",
                    Place(file=path.name),
                )
            ]
        ) from fault
    if not isinstance(record, dict) or "trial" not in record:
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


def rerun(record: Mapping[str, Any]) -> Agreement:
    """Run the analysis of a record again, from the record alone, and compare every number.

    Raises
    ------
    TrialError
        When a part of the record is missing or damaged.
    """
    trial = trial_from_record(record)
    recorded, findings = _tables(record.get("tables")), _sentences(record.get("findings"))
    analysis = analyse(trial)
    found = {name: rows_of(table) for name, table in analysis.tables().items()}
    if findings:  # a record can be made without any
        recorded = {**recorded, "findings": findings}
        found["findings"] = _sentences([item.text for item in make_findings(analysis)])
    return compare_tables(recorded, found)


def _tables(plain: Any) -> dict[str, list[dict[str, Any]]]:
    if not isinstance(plain, dict):
        raise _damaged("no tables")
    for name, rows in plain.items():
        if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
            raise _damaged(f"the table {name!r} has no rows")
    return plain


def _sentences(plain: Any) -> list[dict[str, Any]]:
    if not isinstance(plain, list):
        raise _damaged("no findings")
    return [{"text": text} for text in plain]
