"""An Analysis as a record: JSON that people can read and compare line by line."""

from __future__ import annotations

import json
import platform
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import fields, is_dataclass
from datetime import date, datetime
from enum import Enum
from itertools import repeat
from math import isfinite
from pathlib import Path
from types import NoneType
from typing import IO, Any

import pandas as pd

from trialkit.analysis import Analysis
from trialkit.files import write_whole
from trialkit.findings import Finding
from trialkit.numerals import LARGEST_WHOLE
from trialkit.record.digest import Digests, digests_of
from trialkit.resources import NUMBERS_BY, installed_version
from trialkit.rows import Rows, Tables, columns_of
from trialkit.trial import UNDATED

#: Of the record; one that is not known is not read.
FORMAT = 1
#: Of the record of a series.
SERIES_FORMAT = "series 1"
#: Tables of a series that tell how its trials were read, and do not follow from what they gave.
AS_READ = ("series_matches",)
_JSON = json.JSONEncoder(ensure_ascii=False, allow_nan=False)


def plain(value: object) -> Any:
    """Bring a value to what JSON holds; undefined numbers become null, whole ones integers.

    The day of an assessment without one is null, too.
    """
    if isinstance(value, Enum):
        return value.value
    if value is None or isinstance(value, str | int):
        return value
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if is_dataclass(value) and not isinstance(value, type):
        return {item.name: plain(getattr(value, item.name)) for item in fields(value)}
    if isinstance(value, list | tuple):
        return [plain(item) for item in value]
    number = float(value)  # type: ignore[arg-type]
    if not isfinite(number) or number == UNDATED:
        return None
    return int(number) if number.is_integer() and abs(number) < LARGEST_WHOLE else number


def rows_of(table: pd.DataFrame) -> list[dict[str, Any]]:
    """List the rows of a table as plain dictionaries, undefined numbers as None."""
    columns = {name: map(plain, values) for name, values in columns_of(table).items()}
    return [dict(zip(columns, row, strict=True)) for row in zip(*columns.values(), strict=True)]


def _trial_parts(tables: Tables) -> dict[str, Any]:
    """Bring a trial to lists, dictionaries and tables, without its settings."""
    parts: dict[str, Any] = {}
    for item in fields(tables.trial):
        if item.name not in {"settings", "warnings", "inputs", "listed_at"}:
            value = getattr(tables.trial, item.name)
            frame = isinstance(value, pd.DataFrame)
            parts[item.name] = tables.as_read(item.name) if frame else plain(value)
    return parts


def plain_finding(finding: Finding | str) -> dict[str, Any]:
    """Bring a finding to what JSON holds, without the places of its numbers."""
    if isinstance(finding, str):
        return {"text": finding}
    names = [item.name for item in fields(finding) if item.name != "numbers"]
    return {name: plain(getattr(finding, name)) for name in names}


def make_record(
    analysis: Analysis,
    findings: Sequence[Finding | str],
    made: datetime,
    tables: Tables | None = None,
) -> str:
    """Bring an analysis to the record's form: JSON, one row of a table a line.

    Parameters
    ----------
    analysis : Analysis
    findings : sequence of Finding
        The sentences of the report.
    made : datetime
        When the analysis was made.
    tables : Tables, optional
        Its tables as rows, where they are at hand.
    """
    return record_text(record_parts(analysis, findings, made, tables or Tables(analysis)))


def record_parts(
    analysis: Analysis, findings: Sequence[Finding | str], made: datetime, read: Tables
) -> dict[str, Any]:
    """Gather what the record of an analysis holds; for the parameters see `make_record`."""
    trial = analysis.trial
    return {
        "format": FORMAT,
        "trialkit": installed_version("trialkit"),
        "made": made.isoformat(timespec="seconds"),
        "inputs": [{"name": name, "sha256": digest} for name, digest in trial.inputs],
        "settings": plain(trial.settings),
        "trial": _trial_parts(read),
        "environment": environment(),
        "tables": {name: read[name] for name in analysis.tables()},
        "findings": [plain_finding(item) for item in findings],
        "problems": [plain(problem) for problem in analysis.problems],
    }


def environment() -> dict[str, str]:
    """Versions of what makes the numbers."""
    return {
        "python": platform.python_version(),
        **{name: installed_version(name) for name in NUMBERS_BY},
    }


def record_text(parts: Mapping[str, Any]) -> str:
    """Lay out the parts of a record, with their digests at the end."""
    return "".join(_record_pieces(parts))


def spool_record(parts: Mapping[str, Any], stream: IO[bytes]) -> str:
    """Write the parts of a record piece by piece, and give its digest.

    Of very many treatments a record has 50 MB, and as one text would stand in memory twice.
    """
    last = ""
    for last in _record_pieces(parts):
        stream.write(last.encode("utf-8"))
    return digest_in(last)


def _record_pieces(parts: Mapping[str, Any]) -> Iterator[str]:
    """Texts that are a record when joined; the last holds the digests of the others."""
    digests, start = Digests(), "{\n "
    for key, part in parts.items():
        yield f"{start}{_dump(key)}: "
        digests.begin(key)
        for piece in _laid_out(part, 1):
            digests.add(piece)
            yield piece
        start = ",\n "
    yield f"{start}{_dump('digest')}: {_layout(digests.made(), 1)}\n}}\n"


def is_series(record: Mapping[str, Any]) -> bool:
    """Whether a record is that of several trials."""
    return "series" in record


def digest_in(record: str) -> str:
    """The digest of a record that was just made; it stands near its end."""
    found = re.findall(r'"record": "([0-9a-f]{64})"', record[-1000:])
    return str(found[-1]) if found else ""


def edited_parts(record: Mapping[str, Any]) -> tuple[str, ...]:
    """Name the parts of a record that are not what they were when it was written.

    Parameters
    ----------
    record : mapping
        As `read_record` gives it. One without digests, as older ones are, has none edited.
    """
    kept = record.get("digest")
    if not isinstance(kept, Mapping):
        return ()
    found = digests_of({key: _layout(part, 1) for key, part in record.items()})
    return tuple(name for name, digest in found.items() if kept.get(name) != digest)


def write_record(record: str, path: Path) -> None:
    """Write a record to a file, moved into place when it is whole."""
    write_whole(path, record.encode("utf-8"))


#: How deep the record is broken into lines: its keys, its tables, their rows.
_DEPTH = 3


def _layout(value: Any, depth: int) -> str:
    return "".join(_laid_out(value, depth))


def _laid_out(value: Any, depth: int) -> Iterator[str]:
    """Lay out a part of a record as texts to be joined."""
    line = "\n" + " " * (depth + 1)
    end = "\n" + " " * depth
    if isinstance(value, Mapping) and value and depth < _DEPTH:
        start = f"{{{line}"
        for key, item in value.items():
            yield f"{start}{_dump(key)}: "
            yield from _laid_out(item, depth + 1)
            start = f",{line}"
        yield f"{end}}}"
    elif isinstance(value, Rows) and len(value):
        start = f"[{line}"
        for piece in _pieces(value):
            yield start
            yield f",{line}".join(_row_texts(piece))
            start = f",{line}"
        yield f"{end}]"
    elif isinstance(value, list) and value and depth < _DEPTH:
        yield f"[{line}{f',{line}'.join(map(_dump, value))}{end}]"
    else:
        yield _dump([] if isinstance(value, Rows) else value)


#: Rows written at once: the texts of all cells of a long table would fill the memory.
_ROWS_AT_ONCE = 10_000


def _pieces(rows: Rows) -> Iterable[Rows]:
    if len(rows) <= _ROWS_AT_ONCE:
        return [rows]
    starts = range(0, len(rows), _ROWS_AT_ONCE)
    return (rows.take(range(i, min(i + _ROWS_AT_ONCE, len(rows)))) for i in starts)


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
    return [_dump(plain(value)) for value in values]


def _dump(value: Any) -> str:
    return _JSON.encode(value)
