"""Run the record of a series again, from what every trial gave, and compare every number."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from trialkit.findings.series_story import series_findings
from trialkit.record.series import series_from_record, with_tables_as_read
from trialkit.record.writing import AS_READ, plain_finding, rows_of


def series_tables_again(
    record: Mapping[str, Any],
) -> tuple[dict[str, list[dict[str, Any]]], list[dict[str, Any]]]:
    """Combine the trials of a record anew.

    Parameters
    ----------
    record : mapping
        Of a series.

    Returns
    -------
    tables : dict of str to list of dict
        Rows of every table that is made from what the trials gave.
    findings : list of dict

    Raises
    ------
    TrialError
        When a part of the record is missing or damaged.
    """
    analysis = with_tables_as_read(series_from_record(record), record)
    found = {name: rows_of(table) for name, table in analysis.tables.items() if name not in AS_READ}
    told = replace(analysis, findings=series_findings(analysis))
    return found, [plain_finding(item) for item in told.findings]
