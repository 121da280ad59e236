"""Doses, events, weather and how assessments were made stand in the report."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pandas as pd

from trialkit.analysis import Analysis
from trialkit.report import compose
from trialkit.report.document import Notes


def test_facts_that_were_kept_are_shown(analysis: Analysis) -> None:
    trial = replace(
        analysis.trial,
        doses=pd.DataFrame(
            {
                "treatment": ["2"],
                "application": [None],
                "rate": [0.5],
                "rate_unit": ["L/ha"],
                "actual": [0.47],
            }
        ),
        events=pd.DataFrame(
            {
                "date": [date(2025, 6, 14)],
                "what": ["A burst pipe flooded plot 203."],
                "kind": ["damage"],
                "plots": ["203"],
            }
        ),
        weather=pd.DataFrame({"date": [date(2025, 6, 12)], "rain_mm": [3.5]}),
        report={"objective": "To compare two products.", "approved_by": "R. Nobody"},
    )
    document = compose(replace(analysis, trial=trial))
    tables = {table.key: table for table in document.tables()}
    assert tables["doses"].rows[0][-1] == 0.47
    assert tables["weather"].rows[0] == ("2025-06-12", 3.5)
    told = [text for block in document.blocks() if isinstance(block, Notes) for text in block.items]
    assert "2025-06-14: A burst pipe flooded plot 203 (damage, plots 203)." in told
    assert document.sections[0].blocks[0].text == "To compare two products."  # type: ignore[union-attr]
    assert "sign-off" in {section.key for section in document.sections}
    states = {row[0]: row[1] for row in tables["completeness"].rows}
    assert states["Objective"] == "found"
    assert states["Soil"] == "missing"
