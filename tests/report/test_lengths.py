"""How long the report of the largest example is: pages, tables, words of page 1, sentences."""

from __future__ import annotations

import io
import re

import pytest
from pypdf import PdfReader

from shipped import analysed
from trialkit import make_findings
from trialkit.analysis import Analysis
from trialkit.report import compose, draw_figures
from trialkit.report.document import (
    Aside,
    Document,
    Findings,
    Notes,
    Paragraph,
    Table,
    Where,
)
from trialkit.report.glance_block import Glance
from trialkit.report.pdf import pdf_bytes

MOST_MAIN, MOST_ANNEX, MOST_TABLES = 7, 4, 12
LONG, MOST_LONG = 25, 0.03


@pytest.fixture(scope="module")
def beetles() -> Analysis:
    return analysed("leaf_beetle_potato")


@pytest.fixture(scope="module")
def report(beetles: Analysis) -> Document:
    return compose(beetles, make_findings(beetles))


def test_pages_and_tables(beetles: Analysis, report: Document) -> None:
    made = pdf_bytes(report, draw_figures(beetles, report))
    pages = [page.extract_text() for page in PdfReader(io.BytesIO(made)).pages]
    annex = next(place for place, text in enumerate(pages) if text.lstrip().startswith("Annex"))
    assert annex <= MOST_MAIN
    assert len(pages) - annex <= MOST_ANNEX
    main = [section for section in report.sections if section.where is Where.MAIN]
    tables = [block for section in main for block in section.blocks if isinstance(block, Table)]
    assert len(tables) <= MOST_TABLES


def test_words_of_the_first_page(report: Document) -> None:
    texts: list[str] = []
    for block in report.front:
        if isinstance(block, Findings):
            assert len(block.items) <= 5
            texts += block.items
        elif isinstance(block, Glance):
            texts += block.notes
        elif isinstance(block, Aside):
            texts.append(block.text)
    assert len(" ".join(texts).split()) <= 260


def test_sentences_are_short(report: Document) -> None:
    texts: list[str] = []
    for block in report.blocks():
        if isinstance(block, Paragraph | Aside):
            texts.append(block.text)
        elif isinstance(block, Findings | Notes):
            texts += block.items
        elif isinstance(block, Table):
            texts += [f"{block.question}.", block.about, *block.notes]
    sentences = [one for text in texts for one in re.split(r"(?<=[.:;])\s+(?=[A-Z])", text)]
    long = [one for one in sentences if len(one.split()) > LONG]
    assert len(sentences) > 150
    assert len(long) <= MOST_LONG * len(sentences), "\n".join(long)
