"""Captions are statements: sentences, true to their tables, and no claim without page 1."""

from __future__ import annotations

import math
import re
from dataclasses import replace

import numpy as np
import pytest

from shipped import analysed
from trialkit import analyse, make_findings
from trialkit.analysis import Analysis
from trialkit.report import compose
from trialkit.report.captions import counted, plots_words
from trialkit.report.document import Document, FigureBlock, Table
from trialkit.report.numbers import write_cell

CLAIMS = re.compile(r"had (fewer|less|more) |out-yielded|yielded less")


@pytest.fixture(scope="module")
def beetles() -> Analysis:
    return analysed("leaf_beetle_potato")


@pytest.fixture(scope="module")
def report(beetles: Analysis) -> Document:
    return compose(beetles, make_findings(beetles))


def printed(document: Document) -> list[Table | FigureBlock]:
    blocks = [block for section in document.printed for block in section.blocks]
    return [block for block in blocks if isinstance(block, Table | FigureBlock)]


def test_every_printed_table_and_figure_is_headed_by_a_statement(report: Document) -> None:
    for block in printed(report):
        head = block.question if isinstance(block, Table) else block.title
        about = block.about if isinstance(block, Table) else block.caption
        assert len(head.split()) >= 4, block.key
        assert head[0].isupper() or head[0].isdigit()
        assert not head.endswith((".", "?"))
        assert len(head.split()) <= 25, head
        assert not about or about.endswith(".")
        assert "{" not in head + about


def test_least_and_largest_number_of_a_caption_stand_in_its_table(report: Document) -> None:
    seen = 0
    for block in printed(report):
        found = isinstance(block, Table) and re.search(
            r"ranged from (\S+?)%?(?: \(.*?\)+)? to (\S+?)%?(?: \(| EUR|$)", block.question
        )
        if not found or not isinstance(block, Table):
            continue
        seen += 1
        written = {
            write_cell(cell, column)
            for row in block.rows
            for cell, column in zip(row, block.columns, strict=True)
            if isinstance(cell, float) and math.isfinite(cell)
        }
        assert set(found.groups()) <= written, block.question
    assert seen >= 4


def test_captions_claim_what_page_one_claims(beetles: Analysis, report: Document) -> None:
    heads = {block.key: block.question for block in report.tables()}
    shown = beetles.claims[beetles.claims["front"].eq(True) & beetles.claims["b"].eq("1")]
    pests = shown[shown["question"].eq("pest") & shown["scope"].eq("whole trial")]
    named = re.search(r"Treatments (.*) had fewer larvae", heads["means-1"])
    assert named is not None
    assert set(re.findall(r"\d+", named[1])) == set(pests["a"])
    yields = shown[shown["question"].eq("yield")]
    told = re.search(r"Treatments (.*) out-yielded the untreated", heads["yield-4"])
    assert told is not None
    assert set(re.findall(r"\d+", told[1])) == set(yields["a"])


def test_where_nothing_differs_no_caption_says_so(beetles: Analysis) -> None:
    trial = beetles.trial
    rng = np.random.default_rng(20)
    counts = trial.counts.assign(value=rng.poisson(20.0, len(trial.counts)).astype(float))
    harvest = trial.harvest.assign(harvested_kg=rng.normal(70.0, 5.0, len(trial.harvest)))
    null = analyse(replace(trial, counts=counts, harvest=harvest))
    assert not null.claims["front"].eq(True).any()
    document = compose(null, make_findings(null))
    heads = [block.question for block in document.tables()]
    heads += [block.title for block in document.figures()]
    assert len(heads) > 20
    assert not [head for head in heads if CLAIMS.search(head)]


def test_numbers_of_plots_in_words() -> None:
    assert plots_words([4.0, 4.0]) == "4 plots"
    assert plots_words([3.0, 4.0, math.nan, 0.0]) == "3 to 4 plots"
    assert plots_words([1.0]) == "1 plot"
    assert plots_words([]) == "no plots"
    assert [counted(n) for n in (1, 12, 13)] == ["one", "twelve", "13"]
