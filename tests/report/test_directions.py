"""Names from right to left keep their order beside English, in every page and only there."""

from __future__ import annotations

import io
import json
import re
from dataclasses import replace
from datetime import UTC, datetime

import docx
import openpyxl
import pytest
from hypothesis import given
from hypothesis import strategies as st

import trialkit
from shipped import analysed
from trialkit.analysis import Analysis
from trialkit.figures.identity import plain_line
from trialkit.report import report_files
from trialkit.report.directions import CLOSES, ISOLATE, OPENS, isolated_line, isolating
from trialkit.report.pdf import page_data
from trialkit.report_options import ReportOptions
from trialkit.rows import Tables

#: Hebrew for "third", twice the rate; Arabic for "substance (third) 3"; a trial of 2025.
THIRD = "\u05e9\u05dc\u05d9\u05e9\u05d9 2x"
OTHER = "\u0645\u0628\u064a\u062f (\u062b\u0627\u0644\u062b) 3"
TITLE = "\u05e0\u05d9\u05e1\u05d5\u05d9 2025"


@pytest.fixture(scope="module")
def files(analysis_of_example: Analysis) -> dict[str, bytes]:
    trial = analysis_of_example.trial
    names = {"3": THIRD, "6": OTHER}
    named = replace(
        trial,
        title=TITLE,
        treatments=tuple(
            replace(item, name=names.get(item.id, item.name)) for item in trial.treatments
        ),
    )
    analysis = replace(analysis_of_example, trial=named)
    findings = trialkit.make_findings(analysis)
    options = ReportOptions(formats=("html", "docx", "xlsx", "csv"))
    made = datetime(2026, 1, 2, tzinfo=UTC)
    found = report_files(Tables(analysis), findings, options, made=made)
    return {path.as_posix(): content for path, content in found.items()}


@pytest.fixture(scope="module")
def analysis_of_example() -> Analysis:
    return analysed("leaf_beetle_potato")


def test_a_page_sets_each_name_apart_from_the_number_behind_it(files: dict[str, bytes]) -> None:
    page = files["report.html"].decode()
    assert f"<strong>{OPENS}{THIRD}{CLOSES}</strong> (3)" in page
    assert f">3 {OPENS}{THIRD}{CLOSES}</th>" in page
    assert f"<title>{OPENS}{TITLE}{CLOSES}" in page
    drawn = re.findall(r"<text[^>]*>([^<]*)</text>", page)
    assert f"3 {OPENS}{THIRD}{CLOSES}" in drawn
    assert not re.search("[\u0590-\u08ff]", ISOLATE.sub("", page)), "all names stand in isolates"


def test_word_sets_each_name_as_a_run_of_its_direction(files: dict[str, bytes]) -> None:
    word = docx.Document(io.BytesIO(files["report.docx"]))
    cells = [cell for table in word.tables for row in table.rows for cell in row.cells]
    lines = [*word.paragraphs, *(line for cell in cells for line in cell.paragraphs)]
    runs = [run for line in lines for run in line.runs]
    turned = [run for run in runs if THIRD in run.text]
    assert len(turned) > 5
    for run in turned:
        assert run.font.rtl
        assert run.font.cs_bold == run.font.bold
        size = run._r.rPr.find("{*}szCs")
        assert (size is None) == (run.font.size is None)
        assert size is None or int(next(iter(size.attrib.values()))) / 2 == run.font.size.pt
    assert not any(mark in run.text for run in runs for mark in (OPENS, CLOSES))


def test_tables_of_data_keep_names_as_they_were_typed(files: dict[str, bytes]) -> None:
    book = openpyxl.load_workbook(io.BytesIO(files["tables.xlsx"]))
    texts = {
        str(cell) for sheet in book for row in sheet.iter_rows(values_only=True) for cell in row
    }
    assert any(THIRD in text for text in texts)
    told = "".join(texts) + "".join(
        content.decode() for name, content in files.items() if name.endswith((".csv", ".json"))
    )
    assert THIRD in told
    assert OPENS not in told


def test_the_data_of_the_pdf_have_the_same_isolates(analysis_of_example: Analysis) -> None:
    from trialkit.report.rewriting import rewritten

    trial = analysis_of_example.trial
    first, *others = trial.treatments
    named = replace(trial, treatments=(replace(first, name=THIRD), *others))
    analysis = replace(analysis_of_example, trial=named)
    document = trialkit.report.compose(analysis, trialkit.make_findings(analysis))
    isolate = isolating([THIRD])
    assert isolate is not None
    text = json.dumps(page_data(rewritten(document, isolate), {}, "a4"), ensure_ascii=False)
    assert text.count(f"{OPENS}{THIRD}{CLOSES}") == text.count(THIRD) > 5


def test_names_from_left_to_right_need_nothing() -> None:
    assert isolating(["Vexor 100", "Ølstad é", "\N{GREEK SMALL LETTER ALPHA}"]) is None


def test_the_longest_name_goes_first_and_no_word_is_cut_open() -> None:
    short, longer = "\u05d0", "\u05d0 \u05d1\u05d2 5%"
    isolate = isolating([short, longer])
    assert isolate is not None
    assert isolate(f"{longer} (1), {short} (2)") == (
        f"{OPENS}{longer}{CLOSES} (1), {OPENS}{short}{CLOSES} (2)"
    )
    assert isolate("\u05d0\u05d1 3") == f"{OPENS}\u05d0\u05d1{CLOSES} 3"


LETTERS = st.text("ab1 (%+\u05d0\u05d1\u0628\u0661" + OPENS + CLOSES + "\u202e", max_size=12)


@given(st.lists(LETTERS, max_size=3), LETTERS)
def test_isolates_are_all_that_is_added_and_come_in_pairs(names: list[str], text: str) -> None:
    isolate = isolating(names)
    line = plain_line(text)
    if isolate is None:
        return
    set_apart = isolate(line)
    assert set_apart.replace(OPENS, "").replace(CLOSES, "") == line
    assert isolated_line(set_apart) == set_apart
    rest = ISOLATE.sub("", set_apart)
    assert not re.search("[\u05d0\u05d1\u0628]", rest)
    assert not {OPENS, CLOSES} & set(rest)


@given(LETTERS)
def test_a_text_as_typed_never_turns_what_follows(text: str) -> None:
    kept = isolated_line(text)
    assert not {OPENS, CLOSES} & set(ISOLATE.sub("", kept))
    assert "\u202e" not in kept
