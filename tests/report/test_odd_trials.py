"""Trials that strain a report are written in every format, whole and valid."""

from __future__ import annotations

import io
import json
import re
from pathlib import Path

import docx
import html5lib
import openpyxl
import pytest
from pypdf import PdfReader

import trialkit
from odd_trials import ODD, lay_out
from trialkit.analysis import Analysis
from trialkit.report import compose, draw_figures
from trialkit.report.document import Document, Table
from trialkit.report.glance_block import Glance
from trialkit.report.html import render_html
from trialkit.report.laid_out import in_pieces, page_table
from trialkit.report.pdf import pdf_bytes
from trialkit.report.terminal import front_lines
from trialkit.report.word import MOST_ACROSS, word_bytes
from trialkit.report.workbook import workbook_bytes

#: Those whose figures are drawn too; the others differ in what stands in tables.
DRAWN = ("one-and-untreated", "yield-only", "all-zeros", "foreign-names")


@pytest.fixture(scope="module")
def analyses(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Analysis]:
    folder = tmp_path_factory.mktemp("odd")
    return {
        name: trialkit.analyse(trialkit.read_trial(lay_out(folder / name, odd)))
        for name, odd in ODD.items()
    }


def composed(analysis: Analysis) -> Document:
    return compose(analysis, trialkit.make_findings(analysis))


@pytest.mark.parametrize("name", ODD)
def test_an_odd_trial_is_written_in_every_format(name: str, analyses: dict[str, Analysis]) -> None:
    document = composed(analyses[name])
    drawings = draw_figures(analyses[name], document) if name in DRAWN else {}
    parser = html5lib.HTMLParser(strict=True)
    parser.parse(render_html(document, drawings))
    pages = PdfReader(io.BytesIO(pdf_bytes(document, drawings))).pages
    word = docx.Document(io.BytesIO(word_bytes(document, drawings)))
    book = openpyxl.load_workbook(io.BytesIO(workbook_bytes(document)))
    first = pages[0].extract_text()
    assert "An odd trial" in first
    assert "At a glance" in first
    assert "follow the product label" in " ".join(first.split())  # page 1 ends on page 1
    assert sum(len(table.rows) for table in word.tables) > 10
    assert len(book.sheetnames) > 4
    assert all(len(line) <= 80 for line in front_lines(document))


def test_no_caption_is_empty_or_says_what_cannot_be(analyses: dict[str, Analysis]) -> None:
    for name, analysis in analyses.items():
        findings = trialkit.make_findings(analysis)
        document = compose(analysis, findings)
        for block in (*document.tables(), *document.figures()):
            head = block.question if isinstance(block, Table) else block.title
            assert head.strip(), (name, block.key)
            assert not re.search(r"\bnan\b|\binf\b", head), head
        told = " ".join(item.text for item in findings)
        assert "ll products never" not in told
        assert "could not be worked out: ." not in told


def test_nothing_is_said_of_control_where_no_pest_was_found(analyses: dict[str, Analysis]) -> None:
    document = composed(analyses["all-zeros"])
    glance = next(block for block in document.front if isinstance(block, Glance))
    assert [head for head, _ in glance.heads] == ["Fruit"]
    assert "control-1" not in {table.key for table in document.tables()}


def test_a_table_of_very_many_days_is_parted_and_loses_nothing(
    analyses: dict[str, Analysis],
) -> None:
    document = composed(analyses["twenty-assessments"])
    table = next(item for item in document.tables() if item.key == "control-1")
    pieces = in_pieces(table, MOST_ACROSS)
    assert len(pieces) == 2
    whole = [cell.text for row in page_table(table).rows for cell in row[1:]]
    parted = [cell.text for piece in pieces for row in page_table(piece).rows for cell in row[1:]]
    assert sorted(whole) == sorted(parted)
    assert pieces[0].notes == ()
    assert pieces[-1].notes == table.notes
    assert [piece.rows[0][0] for piece in pieces] == [table.rows[0][0]] * 2
    assert in_pieces(table, 100) == [table]


def test_records_of_odd_trials_hold_no_number_that_is_none(tmp_path: Path) -> None:
    folder = lay_out(tmp_path / "trial", ODD["all-zeros"])
    trialkit.report_trial(folder, tmp_path / "out", formats=())
    text = (tmp_path / "out" / "record.json").read_text(encoding="utf-8")
    json.loads(text, parse_constant=lambda word: pytest.fail(word))
