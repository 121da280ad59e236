"""What `[report]` chooses: parts, their order, variables, the style of numbers."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from types import MappingProxyType

import pytest
from hypothesis import given
from hypothesis import strategies as st

import trialkit
from shipped import analysed
from trialkit.analysis import Analysis
from trialkit.findings import make_findings
from trialkit.report import compose
from trialkit.report.compose import OUTLINE
from trialkit.report.document import Document, Notes, Paragraph, Table
from trialkit.report.html import render_html
from trialkit.report.series.compose import OUTLINE as SERIES_OUTLINE
from trialkit.report_choices import (
    KEPT,
    PARTS,
    REPORT_KEYS,
    REPORT_MEANINGS,
    SERIES_PARTS,
    NumberStyle,
    ReportChoices,
)
from trialkit.trial_faults import trial_faults


@pytest.fixture(scope="module")
def beetles() -> Analysis:
    return analysed("leaf_beetle_potato")


def chosen(analysis: Analysis, **report: str) -> Document:
    trial = replace(analysis.trial, report=MappingProxyType(report))
    assert trial_faults(trial) == []
    changed = replace(analysis, trial=trial)
    return compose(changed, make_findings(changed))


def words(document: Document) -> str:
    return render_html(document, {})


def test_every_part_has_a_heading_and_every_heading_a_part() -> None:
    assert {part.key for part in OUTLINE} == set(PARTS)
    assert {key for key, _, _ in SERIES_OUTLINE} == set(SERIES_PARTS)
    assert {*PARTS, *SERIES_PARTS} >= KEPT


def test_parts_stand_in_the_order_that_was_asked_for(beetles: Analysis) -> None:
    document = chosen(beetles, parts="Yield and returns; control, reliability")
    keys = [section.key for section in document.printed]
    assert keys[:3] == ["yield", "control", "reliability"]
    assert set(keys[3:]) <= KEPT
    assert {"notes", "cautions"} <= set(keys)
    labels = [table.label for section in document.printed for table in _tables(section.blocks)]
    assert labels[0] == "Table 1"


def _tables(blocks: tuple[object, ...]) -> list[Table]:
    return [block for block in blocks if isinstance(block, Table)]


def test_own_text_stays_whatever_is_chosen(beetles: Analysis) -> None:
    document = chosen(beetles, parts="yield", discussion="Mind the flooded plot.")
    told = [block.text for block in document.blocks() if isinstance(block, Paragraph)]
    assert "Mind the flooded plot." in told


def test_variables_that_were_not_asked_for_are_nowhere_but_named(beetles: Analysis) -> None:
    whole, document = compose(beetles, make_findings(beetles)), chosen(beetles, variables="larvae")
    assert "Lady beetles" in words(whole)
    notes = next(section for section in document.sections if section.key == "notes")
    left_out = next(block for block in notes.blocks if isinstance(block, Paragraph))
    assert "Lady beetles per 10 plants" in left_out.text
    rest = replace(
        document, sections=tuple(item for item in document.sections if item.key != "notes")
    )
    results = [block for block in rest.blocks() if not isinstance(block, Notes)]
    tables = [block for block in results if isinstance(block, Table)]
    assert not [table for table in tables if "beetles" in table.question.casefold()]
    assert "lady beetles" not in " ".join(head for head, _ in _heads(rest)).casefold()


def _heads(document: Document) -> list[tuple[str, str]]:
    return [head for block in document.front for head in getattr(block, "heads", ())]


def test_order_of_variables_is_that_asked_for(beetles: Analysis) -> None:
    document = chosen(beetles, variables="defoliation; larvae")
    plots = [table.question for table in document.tables() if table.key.startswith("plots-")]
    assert [text.split(" in each")[0] for text in plots[:2]] == [
        "Leaf area eaten, %",
        "Larvae per 10 plants",
    ]


def test_what_is_not_known_is_refused_with_what_is(beetles: Analysis) -> None:
    report: Mapping[str, str] = {"parts": "contrl", "variables": "larva", "numbers": "roman"}
    faults = trial_faults(replace(beetles.trial, report=MappingProxyType(dict(report))))
    assert [fault.kind for fault in faults] == ["unknown-report-choice"] * 3
    assert "Did you mean 'control'?" in faults[0].remedy
    assert "Did you mean 'larvae'?" in faults[1].remedy
    assert "plain and si" in faults[2].remedy


def test_choices_come_back_from_a_folder(tmp_path: Path, beetles: Analysis) -> None:
    report = {"parts": "control; yield", "numbers": "si", "author": "A. Fennick"}
    trial = replace(beetles.trial, report=MappingProxyType(report))
    trialkit.save_trial(trial, tmp_path / "trial")
    assert dict(trialkit.read_trial(tmp_path / "trial").report) == report


def test_si_numbers_stand_in_text_and_tables_and_spare_names(beetles: Analysis) -> None:
    treatments = tuple(
        replace(item, name="Marrowfen 5% in 1,000 L") if item.id == "7" else item
        for item in beetles.trial.treatments
    )
    trial = replace(
        beetles.trial,
        treatments=treatments,
        report=MappingProxyType({"numbers": "SI", "conclusion": "We saw 80% of 12,500."}),
    )
    changed = replace(beetles, trial=trial)
    page = words(compose(changed, make_findings(changed)))
    assert "Marrowfen 5% in 1,000 L" in page
    assert "We saw 80% of 12,500." in page
    assert "1\u202f672" in page
    assert "1,672" not in page
    assert "95\u202f% CI" in page
    assert "95% CI" not in page


@given(st.integers(-(10**9), 10**9), st.integers(0, 2))
def test_a_styled_number_keeps_its_digits(value: int, decimals: int) -> None:
    text = f"{value:,.{decimals}f}%"
    styled = NumberStyle.SI.styled(text)
    assert styled.replace("\u202f%", "%").replace("\u202f", ",") == text
    assert "," not in styled
    assert NumberStyle.PLAIN.styled(text) == text


def test_no_choice_is_the_usual_order() -> None:
    assert tuple(ReportChoices().order()) == tuple(PARTS)


def test_every_key_of_the_report_is_explained() -> None:
    assert set(REPORT_MEANINGS) == set(REPORT_KEYS)
    assert "semicolons" in trialkit.explain("report.parts")
    for part in PARTS:
        assert part in " ".join(trialkit.explain("parts").split())
