"""What the desk reads of a record, in the shapes in which it reads it; other shapes are refused."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from trialkit.analysis.schema import TABLES
from trialkit.record.reading import damaged, refuse_other_formats

_SCALARS = (str, int, float, bool, type(None))
_PARTS: Mapping[str, type] = {
    "settings": dict, "trial": dict, "environment": dict, "tables": dict, "findings": list,
    "problems": list,
}  # fmt: skip
#: Tables of a trial, and what tells their rows apart.
_LISTED = (
    "treatments", "plots", "variables", "applications", "counts", "yields", "harvest", "doses",
    "assessments", "weather", "events",
)  # fmt: skip
_TELLING = (
    "id", "name", "plot", "day", "variable", "sample", "treatment", "application", "date", "what",
)  # fmt: skip
#: Columns that say which row is meant, in the tables that the desk compares.
_NAMES = ("variable", "measure", "treatment", "a", "b", "method", "source", "transform")
_COMPARED = frozenset(
    {
        "anova", "means", "comparisons", "control", "pest_days", "persistence", "responses",
        "count_tests", "covariate", "course_tests", "recovered", "recovered_tests",
        "factor_comparisons", "factor_differences", "unequal_comparisons", "reductions", "glance",
    }
)  # fmt: skip
#: Names that may be missing from a row: a test of a whole model has no source.
_MAY_BE_NONE = frozenset({("count_tests", "source"), ("glance", "variable")})


def checked(record: Mapping[str, Any]) -> dict[str, Any]:
    """Give a record back with every part that the desk reads, each in its shape.

    Parts that older records lack are empty, and columns that they lack are None.

    Raises
    ------
    TrialError
        Where the format is another one, or a part has another shape than a record has.
    """
    refuse_other_formats(record)
    found = {**record}
    if "series" in found:  # of several trials, with tables of its own
        return found
    for name, kind in _PARTS.items():
        if name not in found:
            found[name] = kind()
        elif not isinstance(found[name], kind):
            raise damaged(f"{name} is no {'table' if kind is dict else 'list'}")
    for name in ("findings", "problems"):
        if not all(isinstance(item, dict | str) for item in found[name]):
            raise damaged(f"{name} holds something else than sentences")
    for name in _LISTED:
        rows = found["trial"].get(name, [])
        if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
            raise damaged(f"{name} has no rows")
        if not all(_named(row) for row in rows):
            raise damaged(f"a row of {name} is garbled")
    found["tables"] = {name: list(_rows(name, rows)) for name, rows in found["tables"].items()}
    return found


def _named(row: Mapping[str, Any]) -> bool:
    """Whether what tells rows apart is text or a number."""
    return all(isinstance(row.get(name), _SCALARS) for name in _TELLING)


def _rows(name: str, rows: object) -> Iterator[dict[str, Any]]:
    if not isinstance(rows, list):
        raise damaged(f"the table {name!r} has no rows")
    columns = {column.name: column for column in TABLES[name].columns} if name in TABLES else {}
    for row in rows:
        if not isinstance(row, dict) or not all(
            isinstance(cell, _SCALARS) for cell in row.values()
        ):
            raise damaged(f"a row of the table {name!r} is garbled")
        whole = {**dict.fromkeys(columns), **row}
        for column, about in columns.items():
            cell = whole[column]
            words = about.kind != "number"
            garbled = cell is not None and about.kind != "flag" and isinstance(cell, str) != words
            if garbled:
                raise damaged(f"{cell!r} stands in the column {column!r} of the table {name!r}")
            named = name in _COMPARED and column in _NAMES and (name, column) not in _MAY_BE_NONE
            if named and not isinstance(cell, str):
                raise damaged(f"a row of the table {name!r} has no {column}")
        yield whole
