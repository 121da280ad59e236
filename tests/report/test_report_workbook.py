from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from openpyxl import Workbook, load_workbook
from openpyxl.worksheet.worksheet import Worksheet

from trialkit.analysis import Analysis
from trialkit.report import compose, write_tables
from trialkit.report.compose import Sentence
from trialkit.report.document import Column, Document, Kind, Missing, Section, Table
from trialkit.report.workbook import CONTENTS, sheet_names, workbook_bytes
from trialkit.report.workbook_tables import P_VALUE_FORMAT, number_format
from trialkit.report_options import ReportOptions
from trialkit.rows import Tables

MAIN = "{http://schemas.openxmlformats.org/spreadsheetml/2006/main}"


def opened(document: Document) -> Workbook:
    return load_workbook(io.BytesIO(workbook_bytes(document)))


@pytest.fixture(scope="session")
def book(document: Document) -> Workbook:
    return opened(document)


def one_table(*rows: tuple[object, ...], target: float | None = None) -> Document:
    table = Table(
        key="t",
        question="What?",
        columns=(Column(title="Name"), Column(title="Value", kind=Kind.NUMBER, digits=1)),
        rows=rows,
        sheet="T",
        target=target,
    )
    section = Section(key="s", title="T", blocks=(table,))
    return Document(title="D", subtitle="", facts=(), sections=(section,))


def placed(book: Workbook) -> Iterator[tuple[Worksheet, int, str]]:
    """Sheet, first line and question of every table, as the contents say."""
    for row in book[CONTENTS].iter_rows(min_row=2):
        sheet, line = re.fullmatch(r"'(.+)'!A(\d+)", row[0].hyperlink.location).groups()
        assert sheet == row[0].value
        yield book[sheet], int(line), row[2].value


def test_contents_lead_to_every_table_on_its_sheet(book: Workbook, document: Document) -> None:
    found = list(placed(book))
    assert sorted(question for *_, question in found) == sorted(
        table.question for table in document.tables()
    )
    for sheet, line, question in found:
        assert sheet.cell(line, 1).value.endswith(question)
        assert sheet.cell(line + 1, 1).font.bold
    listed = list(dict.fromkeys(sheet.title for sheet, *_ in found))
    assert listed == book.sheetnames[book.sheetnames.index(CONTENTS) + 1 :]


def test_one_sheet_a_part_and_few_of_them(book: Workbook, document: Document) -> None:
    assert len(book.sheetnames) <= 13
    assert len(document.tables()) > 30
    for sheet in book.worksheets[2:]:
        assert sheet.freeze_panes in {"B3", "B1"}
        assert sheet.column_dimensions["A"].width >= 9


def test_tables_of_a_sheet_do_not_touch(book: Workbook, document: Document) -> None:
    rows = {table.question: table for table in document.tables()}
    ends: dict[str, int] = {}
    for sheet, line, question in placed(book):
        before = ends.get(sheet.title, 0)
        assert line == 1 or all(sheet.cell(line - step, 1).value is None for step in (1, 2))
        assert line > before
        ends[sheet.title] = line + 1 + len(rows[question].rows) + len(rows[question].notes)


def test_long_tables_can_be_filtered_each_on_its_own(book: Workbook) -> None:
    for sheet in book.worksheets:
        for area in sheet.tables.values():
            heads = [cell.value for cell in sheet[area.ref][0]]
            assert len(set(heads)) == len(heads)
            assert area.autoFilter is not None
    names = [name for sheet in book.worksheets for name in sheet.tables]
    assert len(names) == len(set(names)) > 2


def test_numbers_are_numbers_to_sixteen_digits(book: Workbook, document: Document) -> None:
    rows = {table.question: table for table in document.tables()}
    seen = 0
    for sheet, line, question in placed(book):
        lines = sheet.iter_rows(min_row=line + 2)
        for cells, row in zip(lines, rows[question].rows, strict=False):
            for cell, value in zip(cells, row, strict=False):
                if isinstance(value, float) and value == value:
                    assert cell.value == pytest.approx(value, rel=1e-15)
                    seen += 1
    assert seen > 100


def test_p_values_have_a_format(book: Workbook) -> None:
    formats = {
        cell.number_format
        for sheet in book.worksheets
        for row in sheet.iter_rows(min_row=3)
        for cell in row
        if isinstance(cell.value, float) and 0 <= cell.value <= 1
    }
    assert P_VALUE_FORMAT in formats


def test_missing_is_empty_and_its_reason_below() -> None:
    sheet = opened(one_table(("A", Missing("lost in a flood")), ("B", 2)))["T"]
    assert sheet["B3"].value is None
    assert sheet["B4"].value == 2
    assert sheet["B4"].data_type == "n"
    assert sheet["A5"].value == "Empty: lost in a flood."


def test_control_is_shaded() -> None:
    sheet = opened(one_table(("A", 91.0), ("B", -3.0), ("C", 5.0), target=80.0))["T"]
    assert sheet["B3"].fill.start_color.rgb.endswith("7FB3D9")
    assert sheet["B4"].fill.start_color.rgb.endswith("F6D9C2")
    assert sheet["B5"].fill.fill_type is None


@pytest.mark.parametrize(
    "text",
    [
        "=1+1",
        "+1",
        "-1",
        "@SUM(A1)",
        '=HYPERLINK("x")',
        "#N/A",
        "<script>",
        "../x",
        "\U0001f41e",
        "12",
        "TRUE",
    ],
)
def test_text_stays_text(text: str) -> None:
    cell = opened(one_table((text, 1.0)))["T"]["A3"]
    assert cell.value == text
    assert cell.data_type == "s"
    assert bool(cell.quotePrefix) == text.startswith(("=", "+", "-", "@"))


def test_text_like_an_escape_of_the_format_is_escaped() -> None:
    content = workbook_bytes(one_table(("_x0041_ _x_ & <", 1.0)))
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        assert b"_x005F_x0041_ _x_ &amp; &lt;" in archive.read("xl/worksheets/sheet2.xml")


def test_overlong_text_is_cut_to_what_a_cell_holds() -> None:
    assert len(opened(one_table(("y" * 40_000, 1.0)))["T"]["A3"].value) == 32_767


@given(st.floats(min_value=-1e150, max_value=1e150))
def test_numbers_come_back(value: float) -> None:
    back = opened(one_table(("A", value)))["T"]["B3"].value
    assert back == pytest.approx(value, rel=1e-15)  # the library writes 16 digits


def test_text_of_the_input_never_becomes_a_formula(renamed: Callable[[str], Analysis]) -> None:
    content = workbook_bytes(compose(renamed("=1+1 <b>\x07 ../x")))
    book = load_workbook(io.BytesIO(content))
    kinds = {cell.data_type for sheet in book for row in sheet.iter_rows() for cell in row}
    assert kinds == {"n", "s"}
    assert book["Treatments and dates"]["A3"].value == "1 =1+1 <b> ../x 1"
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        sheets = [name for name in archive.namelist() if name.startswith("xl/worksheets/")]
        assert all(b"<f>" not in archive.read(name) for name in sheets)
        assert not any("externalLink" in name for name in archive.namelist())


@given(st.lists(st.text(max_size=60), max_size=30))
def test_sheet_names_are_allowed_and_differ(wanted: list[str]) -> None:
    names = sheet_names(wanted)
    assert len(names) == len(wanted)
    assert len({name.casefold() for name in names}) == len(names)
    for name in names:
        assert 1 <= len(name) <= 31
        assert not set(name) & set("[]:*?/\\'")
        assert name.casefold() != "history"
        assert name == name.strip()


def test_long_alike_names_are_numbered() -> None:
    names = sheet_names(["Means " + "x" * 40, "Means " + "x" * 41, "means " + "x" * 50])
    assert len(set(names)) == 3
    assert names[1].endswith(" 2")
    assert sheet_names(["Rates, mixtures, carrier and modes of action"]) == [
        "Rates, mixtures, carrier"
    ]


@pytest.mark.parametrize(
    ("column", "shown"),
    [
        (Column(title="x", kind=Kind.NUMBER, digits=0), "#,##0"),
        (Column(title="x", kind=Kind.NUMBER, digits=2), "#,##0.00"),
        (Column(title="x", kind=Kind.NUMBER), "General"),
        (Column(title="x", kind=Kind.P_VALUE), P_VALUE_FORMAT),
    ],
)
def test_formats(column: Column, shown: str) -> None:
    assert number_format(column) == shown


def test_the_same_document_gives_the_same_bytes(document: Document) -> None:
    assert workbook_bytes(document) == workbook_bytes(document)


def test_the_file_carries_the_given_time(document: Document) -> None:
    made = datetime(2025, 11, 25, 1, 2, tzinfo=UTC)
    book = load_workbook(io.BytesIO(workbook_bytes(document, made)))
    assert book.properties.modified.replace(tzinfo=UTC) == made


def test_written_to_a_path(document: Document, tmp_path: Path) -> None:
    path = tmp_path / "deep" / "tables.xlsx"
    write_tables(document, path)
    assert path.read_bytes() == workbook_bytes(document)
    assert [item.name for item in path.parent.iterdir()] == ["tables.xlsx"]


def test_a_document_for_a_workbook_alone_gives_the_same_workbook(
    analysis: Analysis, findings: tuple[Sentence, ...]
) -> None:
    whole = compose(analysis, findings)
    alone = compose(analysis, findings, options=ReportOptions(formats=("xlsx",)))
    assert len(list(alone.blocks())) < len(list(whole.blocks()))
    assert workbook_bytes(alone) == workbook_bytes(whole)


def test_rows_at_hand_give_the_same_workbook(
    analysis: Analysis, findings: tuple[Sentence, ...]
) -> None:
    tables = Tables(analysis)
    for table in analysis.tables():  # as a record does that is made before
        rows = tables[table]
        for name, cells in rows.columns.items():
            if set(map(type, cells)) == {float}:
                rows.digits(name)
    shared = compose(analysis, findings, tables=tables)
    assert workbook_bytes(shared) == workbook_bytes(compose(analysis, findings))
