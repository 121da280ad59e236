"""The report of a series: its front page, its tables, and the same numbers in every format."""

from __future__ import annotations

import csv
import io
import math
import re

import docx
import pytest
from openpyxl import load_workbook
from pypdf import PdfReader

from made_series import made_series
from trialkit.findings.series_story import series_findings
from trialkit.report import report_files
from trialkit.report.document import Document, Findings, Table, Where
from trialkit.report.glance_block import Glance, Ink, SmallDots
from trialkit.report.numbers import write_number
from trialkit.report.series.compose import compose_series
from trialkit.report.series.context import MOST_ACROSS, evenly
from trialkit.report.small_pictures import course_svg
from trialkit.report.terminal import front_lines
from trialkit.report_options import ReportOptions
from trialkit.series.result import SeriesAnalysis
from trialkit.series.rows import SeriesTables

SIZES = {
    "five": {},
    "three": {"trials": 3, "treatments": 3},
    "twelve": {"trials": 12, "treatments": 13},
    "one": {"trials": 1, "treatments": 5, "with_yield": False},
    "pair": {"trials": 6, "treatments": 2, "effect": 0.0},
    "long names": {"long_names": True},
    "varieties": {"with_untreated": False},
}


@pytest.fixture(scope="module")
def all_series() -> dict[str, SeriesAnalysis]:
    return {name: made_series(**how) for name, how in SIZES.items()}


@pytest.fixture(scope="module")
def documents(all_series: dict[str, SeriesAnalysis]) -> dict[str, Document]:
    return {name: compose_series(one, series_findings(one)) for name, one in all_series.items()}


def _glance(document: Document) -> Glance:
    return next(block for block in document.front if isinstance(block, Glance))


def _table(document: Document, key: str) -> Table:
    return next(table for table in document.tables() if table.key == key)


@pytest.mark.parametrize("name", [name for name in SIZES if name != "long names"])
def test_few_sentences_each_short(documents: dict[str, Document], name: str) -> None:
    said = next(block for block in documents[name].front if isinstance(block, Findings))
    assert 1 <= len(said.items) <= 5
    for item in said.items:
        assert len(item.split()) <= 25, item


@pytest.mark.parametrize("name", SIZES)
def test_a_row_a_treatment_the_best_first_the_untreated_last(
    documents: dict[str, Document], all_series: dict[str, SeriesAnalysis], name: str
) -> None:
    rows = _glance(documents[name]).rows
    assert len(rows) == len(all_series[name].matched.treatments)
    if all_series[name].matched.settings.untreated is None:
        assert not any(row.base for row in rows)
        values = [float(row.cells[0].text) for row in rows]
        assert values == sorted(values, reverse=True)
        return
    assert [row.base for row in rows] == [False] * (len(rows) - 1) + [True]
    pooled = [row.course.pooled for row in rows if isinstance(row.course, SmallDots)]
    assert pooled == sorted(pooled, reverse=True)
    assert len(pooled) == len(rows) - 1


def test_bold_is_what_the_claims_of_page_1_say(
    documents: dict[str, Document], all_series: dict[str, SeriesAnalysis]
) -> None:
    for name, series in all_series.items():
        if name == "varieties":
            continue
        claims = series.series_claims
        front = claims[claims["front"].eq(True) & claims["question"].eq("pest")]
        bold = {
            row.name
            for row in _glance(documents[name]).rows
            if row.cells[0].ink is not Ink.ESTIMATE
        }
        assert bold == set(front["a"])


def test_nothing_is_bold_where_nothing_was_shown(documents: dict[str, Document]) -> None:
    cells = [cell for row in _glance(documents["pair"]).rows for cell in row.cells]
    assert {cell.ink for cell in cells} == {Ink.ESTIMATE}


def test_the_glance_holds_the_pooled_numbers(
    documents: dict[str, Document], all_series: dict[str, SeriesAnalysis]
) -> None:
    table = all_series["five"].combined_control
    whole = table[(table["variable"] == "aphids") & (table["measure"] == "pest_days")]
    by_name = whole.set_index("treatment")
    for row in _glance(documents["five"]).rows[:-1]:
        own = by_name.loc[row.name]
        assert row.cells[0].text == write_number(own["percent"], 0)
        ends = [write_number(own[end], 0) for end in ("predicted_lower", "predicted_upper")]
        assert [end for end in ends if end not in row.cells[3].text] == []
        assert isinstance(row.course, SmallDots)
        assert len(row.course.values) == own["trials"]


def test_tables_hold_the_numbers_of_the_series(
    documents: dict[str, Document], all_series: dict[str, SeriesAnalysis]
) -> None:
    series, document = all_series["five"], documents["five"]
    grid, own = _table(document, "grid-1"), series.trial_control
    own = own[(own["variable"] == "aphids") & (own["measure"] == "pest_days")]
    numbers = [cell for row in grid.rows for cell in row[1:] if isinstance(cell, float)]
    assert sorted(numbers) == sorted(own["percent"])
    over = _table(document, "combined-1")
    combined = series.combined_control
    shown = [cell for row in over.rows for cell in row[1:] if isinstance(cell, float)]
    assert sorted(shown) == sorted(combined[combined["variable"] == "aphids"]["percent"])
    means = _table(document, "over-3")
    assert [row[2] for row in means.rows] == series.combined_means["mean"].tolist()


def test_control_is_tinted_only_where_its_interval_leaves_out_none(
    documents: dict[str, Document],
) -> None:
    for name in ("five", "pair"):
        table = _table(documents[name], "grid-1")
        for row, shades in zip(table.rows, table.shades, strict=True):
            for place in range(1, len(row), 2):
                held_back = row[place + 1] in {"not shown", ""}
                assert not (held_back and shades[place]), row


def test_one_trial_is_told_so_and_predicts_nothing(documents: dict[str, Document]) -> None:
    document = documents["one"]
    heads = [title for title, _ in _glance(document).heads]
    assert not any(head.startswith(("Next site", "Sites")) for head in heads)
    assert "next" not in {section.key for section in document.sections}
    told = " ".join(front_lines(document))
    assert "one trial cannot show how sites differ" in told
    assert not [block for block in document.figures() if block.kind == "forest"]


def test_few_trials_are_told(documents: dict[str, Document]) -> None:
    told = " ".join(front_lines(documents["three"]))
    assert "3 trials can say little about how sites differ" in re.sub(r"\s+", " ", told)


def test_wide_tables_are_parted_and_every_trial_stands_in_one(
    documents: dict[str, Document], all_series: dict[str, SeriesAnalysis]
) -> None:
    parts = [t for t in documents["twelve"].tables() if t.key.startswith("grid-1")]
    assert len(parts) == 2
    trials = [column.title for part in parts for column in part.columns[1::2]]
    assert len(set(trials)) == len(all_series["twelve"].trials)
    assert max(len(part.columns) for part in parts) <= 1 + 2 * MOST_ACROSS


def test_groups_are_even_and_lose_nothing() -> None:
    for number in range(1, 40):
        groups = list(evenly(range(number), 7))
        assert [item for group in groups for item in group] == list(range(number))
        assert max(map(len, groups)) - min(map(len, groups)) <= 1
        assert max(map(len, groups)) <= 7


def test_keys_are_unique_and_annex_comes_last(documents: dict[str, Document]) -> None:
    for document in documents.values():
        keys = [block.key for block in (*document.tables(), *document.figures())]
        assert len(set(keys)) == len(keys)
        places = [list(Where).index(section.where) for section in document.sections]
        assert places == sorted(places)


def test_the_small_picture_has_a_mark_for_every_trial(documents: dict[str, Document]) -> None:
    for row in _glance(documents["five"]).rows[:-1]:
        assert isinstance(row.course, SmallDots)
        svg = course_svg(row.course)
        assert svg.count("<circle") + svg.count("<polygon") == len(row.course.values) + 1


def test_what_was_left_out_is_told(documents: dict[str, Document]) -> None:
    section = next(item for item in documents["five"].sections if item.key == "departures")
    assert "Brine" in str(section.blocks)


def test_a_repeated_group_is_pointed_out_without_calling_it_resistance(
    documents: dict[str, Document],
) -> None:
    section = next(item for item in documents["twelve"].sections if item.key == "seasons")
    told = str(section.blocks)
    assert "favours resistance" in told
    assert "bioassay" in told
    assert not re.search(r"is resistant|resistance was|shows resistance", told)


def test_varieties_are_compared_with_the_check_and_with_all(
    documents: dict[str, Document], all_series: dict[str, SeriesAnalysis]
) -> None:
    document = documents["varieties"]
    table = _table(document, "over-1")
    heads = [column.title for column in table.columns]
    assert "Of the reference, %" in heads
    assert "Of the mean, %" in heads
    assert not any("untreated" in head for head in heads)
    assert "control" not in {section.key for section in document.sections}
    of_check = [row[heads.index("Of the reference, %")] for row in table.rows]
    assert of_check == all_series["varieties"].combined_means["percent_of_reference"].tolist()


def test_of_many_trials_the_workbook_lists_what_the_page_does_not() -> None:
    series = made_series(trials=70, treatments=3)
    document = compose_series(series, series_findings(series))
    assert not [block for block in document.figures() if block.kind == "forest"]
    printed = [b for section in document.printed for b in section.blocks if isinstance(b, Table)]
    assert max(len(table.rows) for table in printed) <= 70
    book = [section for section in document.sections if section.where is Where.BOOK]
    sheets = {b.sheet: b for section in book for b in section.blocks if isinstance(b, Table)}
    assert len(sheets["Trials"].rows) == 70
    assert len(sheets["Control by trial"].rows) == len(series.trial_control)


def test_every_format_holds_the_pooled_control(all_series: dict[str, SeriesAnalysis]) -> None:
    """Nothing but a short series is drawn, since figures take most of the time."""
    series = all_series["three"]
    options = ReportOptions(formats=("html", "docx", "pdf", "xlsx", "csv"), length="short")
    files = {
        str(path): content
        for path, content in report_files(
            SeriesTables(series), series_findings(series), options
        ).items()
    }
    table = series.combined_control
    aphids = table[(table["variable"] == "aphids") & (table["measure"] == "pest_days")]
    wanted = [write_number(value, 0) for value in aphids["percent"]]
    pages = "".join(
        page.extract_text() for page in PdfReader(io.BytesIO(files["report.pdf"])).pages
    )
    word = docx.Document(io.BytesIO(files["report.docx"]))
    cells = {cell.text.split("\n")[0] for t in word.tables for row in t.rows for cell in row.cells}
    html = files["report.html"].decode()
    for number in wanted:
        assert number in pages
        assert number in cells
        assert f'<span class="value">{number}</span>' in html
    assert html.count("<svg") >= len(wanted) + 3
    book = load_workbook(io.BytesIO(files["tables.xlsx"]))
    sheet = book["Control over all trials (full)"]
    numbers = {cell.value for row in sheet.iter_rows() for cell in row}
    assert set(aphids["percent"]) <= numbers
    lines = csv.DictReader(io.StringIO(files["csv/combined_control.csv"].decode()))
    kept = [float(row["percent"]) for row in lines if row["variable"] == "aphids"]
    assert all(any(math.isclose(a, b) for b in kept) for a in aphids["percent"])


def test_the_same_series_gives_the_same_page(all_series: dict[str, SeriesAnalysis]) -> None:
    series = all_series["pair"]
    made = [
        report_files(
            SeriesTables(series),
            series_findings(series),
            ReportOptions(formats=("html",), form="page"),
        )
        for _ in range(2)
    ]
    assert made[0] == made[1]
