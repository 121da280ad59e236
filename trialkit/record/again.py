"""Run the analysis of a record again, and compare what comes out number by number."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from trialkit.analysis import analyse
from trialkit.findings import make_findings
from trialkit.numerals import is_number
from trialkit.record.reading import damaged, trial_from_record
from trialkit.record.writing import AS_READ, edited_parts, is_series, plain_finding, rows_of

#: Two numbers are the same when they differ by less than this share (other machines and
#: versions of the libraries round the last digits in their own way).
TOLERANCE = 1e-9


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
    edited : tuple of str
        Parts of the record that do not match its digests.
    """

    differences: tuple[Difference, ...]
    compared: int
    largest: float
    edited: tuple[str, ...] = ()

    @property
    def same(self) -> bool:
        """Whether everything came out as recorded, and the record is as it was written."""
        return not self.differences and not self.edited


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
                if is_number(left) and is_number(right):
                    gap = _relative(float(left), float(right))
                    if gap > TOLERANCE:
                        differences.append(Difference(name, index, column, left, right))
                    else:
                        largest = max(largest, gap)
                elif left != right:
                    differences.append(Difference(name, index, column, left, right))
    return Agreement(tuple(differences), compared, largest)


def rerun(record: Mapping[str, Any]) -> Agreement:
    """Run the analysis of a record again, from the record alone, and compare every number.

    Of the record of a series the trials are combined anew from what each of them gave.

    Raises
    ------
    TrialError
        When a part of the record is missing or damaged.

    Examples
    --------
    >>> import trialkit
    >>> trial = trialkit.example_trial("leaf_beetle_potato")
    >>> written = trialkit.report_trial(trial, "report", formats=())
    >>> trialkit.rerun(trialkit.read_record(written.paths[-1])).same
    True
    """
    recorded, findings = _tables(record.get("tables")), _sentences(record.get("findings"))
    found, told = _again(record)
    if is_series(record):  # how trials were read does not follow from what they gave
        recorded = {name: rows for name, rows in recorded.items() if name not in AS_READ}
    if findings:  # a record can be made without any
        recorded = {**recorded, "findings": findings}
        known = {name for row in findings for name in row}
        found["findings"] = [
            {name: value for name, value in row.items() if name in known} for row in told
        ]
    agreement = compare_tables(recorded, found)
    # of the results every number was just compared
    edited = tuple(name for name in edited_parts(record) if name in {"data", "settings"})
    return replace(agreement, edited=edited)


def _again(
    record: Mapping[str, Any],
) -> tuple[dict[str, list[dict[str, Any]]], list[dict[str, Any]]]:
    """Tables and findings of a record, made anew."""
    if is_series(record):
        from trialkit.record.series_again import series_tables_again

        return series_tables_again(record)
    analysis = analyse(trial_from_record(record))
    tables = {name: rows_of(table) for name, table in analysis.tables().items()}
    return tables, [plain_finding(item) for item in make_findings(analysis)]


def _tables(plain: Any) -> dict[str, list[dict[str, Any]]]:
    if not isinstance(plain, dict):
        raise damaged("no tables")
    for name, rows in plain.items():
        if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
            raise damaged(f"the table {name!r} has no rows")
    return plain


def _sentences(plain: Any) -> list[dict[str, Any]]:
    """Findings as rows; of older records, which hold texts alone, their texts."""
    if not isinstance(plain, list):
        raise damaged("no findings")
    return [item if isinstance(item, dict) else {"text": item} for item in plain]
