"""Each format is opened by a reader that is not its writer, and holds the numbers."""

from __future__ import annotations

import io
from pathlib import Path

import docx
import pytest
from pypdf import PdfReader

from trialkit.analysis import Analysis
from trialkit.report import compose, draw_figures
from trialkit.report.document import Document
from trialkit.report.numbers import write_cell
from trialkit.report.pdf import pdf_bytes
from trialkit.report.pixels import png_of
from trialkit.report.tidy_files import SCHEMA, tidy_files
from trialkit.report.word import word_bytes
from trialkit.report.word_rows import MOST_WHOLE
from trialkit.rows import Tables


@pytest.fixture(scope="module")
def drawings(analysis: Analysis, document: Document) -> dict[str, str]:
    return draw_figures(analysis, document)


@pytest.fixture(scope="module")
def pdf(document: Document, drawings: dict[str, str]) -> PdfReader:
    return PdfReader(io.BytesIO(pdf_bytes(document, drawings)))


@pytest.fixture(scope="module")
def word(document: Document, drawings: dict[str, str]) -> docx.document.Document:
    return docx.Document(io.BytesIO(word_bytes(document, drawings)))


def _numbers(document: Document) -> list[str]:
    """The numbers of the first large table, as they are written."""
    table = max(document.tables(), key=lambda item: len(item.rows) * len(item.columns))
    written = []
    for row in table.rows:
        for cell, column in zip(row, table.columns, strict=True):
            if isinstance(cell, float):
                written.append(write_cell(cell, column))
    return written


def test_the_pdf_is_tagged_titled_and_holds_the_numbers(pdf: PdfReader, document: Document) -> None:
    assert pdf.metadata is not None
    assert pdf.metadata.title == document.title
    assert "/MarkInfo" in pdf.trailer["/Root"]
    text = "".join(page.extract_text() for page in pdf.pages)
    squeezed = "".join(text.split())
    wanted = _numbers(document)
    assert len(wanted) > 20
    assert all("".join(number.split()) in squeezed for number in wanted)
    for section in document.printed:
        assert "".join(section.title.split()) in squeezed


def test_word_has_true_tables_styles_and_captions(
    word: docx.document.Document, document: Document, drawings: dict[str, str]
) -> None:
    texts = [cell.text for table in word.tables for row in table.rows for cell in row.cells]
    assert all(any(number in text for text in texts) for number in _numbers(document))
    styles = {line.style.name for line in word.paragraphs}
    assert {"Heading 1", "Caption"} <= styles
    for table in word.tables:
        head = table.rows[0]._tr
        assert head.xpath("./w:trPr/w:tblHeader")
    pictures = word.element.xpath("//wp:docPr/@descr")
    assert len(pictures) >= len(drawings)
    assert all(pictures)


def test_no_page_of_word_ends_in_a_short_table_or_above_its_notes(
    word: docx.document.Document,
) -> None:
    long = 0
    for table in word.tables:
        held = [bool(row._tr.xpath(".//w:pPr/w:keepNext")) for row in table.rows]
        after = table._tbl.getnext()
        noted = after.xpath("./w:pPr/w:pStyle/@w:val") == ["Trialsmallprint"]
        if len(held) <= MOST_WHOLE + 1:
            assert all(held[:-1])
        else:
            long += 1
            assert all(held[:3]) and all(held[-3:-1])
            assert not all(held)
        assert held[-1] == noted
    assert long


def test_a_template_keeps_its_head_and_styles(tmp_path: Path, document: Document) -> None:
    own = docx.Document()
    own.sections[0].header.paragraphs[0].text = "Institute of Nowhere"
    own.styles["Heading 1"].font.name = "Courier New"
    own.save(str(tmp_path / "own.docx"))
    made = docx.Document(io.BytesIO(word_bytes(document, {}, template=tmp_path / "own.docx")))
    assert made.sections[0].header.paragraphs[0].text == "Institute of Nowhere"
    assert made.styles["Heading 1"].font.name == "Courier New"
    (tmp_path / "no.docx").write_text("no Word file")
    with pytest.raises(ValueError, match="cannot be read"):
        word_bytes(document, {}, template=tmp_path / "no.docx")


def test_hostile_text_is_text(renamed, analysis: Analysis) -> None:  # type: ignore[no-untyped-def]
    text = '#import "x" *b* $1$ <script> \\ =1+1'
    document = compose(renamed(text))
    pages = PdfReader(io.BytesIO(pdf_bytes(document, {})))
    assert "".join(text.split()) in "".join("".join(p.extract_text().split()) for p in pages.pages)
    made = docx.Document(io.BytesIO(word_bytes(document, {})))
    assert any(text in line.text for line in made.paragraphs)
    del analysis


def test_drawings_become_pixels(drawings: dict[str, str]) -> None:
    made = png_of([(svg, 300.0) for svg in drawings.values()], density=72.0)
    assert len(made) == len(drawings)
    assert all(content.startswith(b"\x89PNG") for content in made)
    assert png_of([]) == []


def test_tidy_files_hold_every_digit_and_say_what_they_hold(analysis: Analysis) -> None:
    files = tidy_files(Tables(analysis))
    lines = files["means.csv"].decode().splitlines()
    assert len(lines) == 1 + len(analysis.means)
    place = lines[0].split(",").index("mean")
    first = analysis.means["mean"].iloc[0]
    assert float(lines[1].split(",")[place]) == first
    about = files[SCHEMA].decode()
    for name in files:
        if name not in {SCHEMA, "plots.csv", "treatments.csv", "counts.csv", "yields.csv"}:
            assert f"\n{name}," in about


def test_words_of_a_table_are_whole_where_its_font_is_wide(
    word: docx.document.Document, document: Document
) -> None:
    """Each column has room for its longest word in letters of 0.63 of their size on average."""
    checked = 0
    for table in word.tables:
        caption = table._tbl.tblPr.xpath("./w:tblCaption/@w:val")
        if not any(text in {item.question for item in document.tables()} for text in caption):
            continue
        for place, column in enumerate(table.columns):
            for row in table.rows[1:]:
                runs = row.cells[place].paragraphs[0].runs
                words = (runs[0].text if runs else "").split()
                if words and len(max(words, key=len)) < 30:
                    checked += 1
                    size = runs[0].font.size.pt
                    assert max(map(len, words)) * 0.63 * size <= column.width.pt, words
    assert checked > 500
