"""Trials of hundreds of plots: pages name where single values stand, and do not list them."""

from __future__ import annotations

import io

import openpyxl
import pytest

import trialkit
from odd_trials import Odd, lay_out
from trialkit.analysis import Analysis
from trialkit.report import compose
from trialkit.report.document import Document, FieldMap, MapPlot, Paragraph, Table
from trialkit.report.laid_out import map_edges, map_strips
from trialkit.report.parts import field, neighbours
from trialkit.report.pdf import MAP_ROOM, page_data
from trialkit.report.workbook import workbook_bytes

TREATMENTS, BLOCKS = 4, 80
PLOTS = TREATMENTS * BLOCKS


@pytest.fixture(scope="module")
def analysis(tmp_path_factory: pytest.TempPathFactory) -> Analysis:
    folder = tmp_path_factory.mktemp("plots") / "trial"
    path = lay_out(folder, Odd(treatments=TREATMENTS, blocks=BLOCKS, days=3))
    return trialkit.analyse(trialkit.read_trial(path))


@pytest.fixture(scope="module")
def document(analysis: Analysis) -> Document:
    return compose(analysis)


def printed(document: Document) -> list[object]:
    return [block for section in document.printed for block in section.blocks]


def test_no_page_lists_the_plots(document: Document) -> None:
    longest = max(len(block.rows) for block in printed(document) if isinstance(block, Table))
    assert longest < BLOCKS
    sections = page_data(document, {}, "a4")["sections"]
    blocks = [block for section in sections for block in section["blocks"]]
    assert max(len(block["rows"]) for block in blocks if block["kind"] == "table") < BLOCKS


def test_pages_say_where_the_values_stand(document: Document) -> None:
    texts = [block.text for block in printed(document) if isinstance(block, Paragraph)]
    (said,) = [text for text in texts if f"{PLOTS} plots are too many" in text]
    assert "Plot data" in said
    assert "record.json" in said


def test_the_workbook_has_them_all(analysis: Analysis, document: Document) -> None:
    book = openpyxl.load_workbook(io.BytesIO(workbook_bytes(document)), read_only=True)
    lines = [str(row[0]) for row in book["Plot data"].iter_rows(values_only=True)]
    for plot in analysis.trial.plots:
        assert lines.count(plot.id) == 3  # pest, natural enemy, yield


def test_a_trial_of_fewer_plots_is_listed(
    analysis: Analysis, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(field, "MOST_PRINTED", PLOTS)
    whole = compose(analysis)
    tables = [block for block in printed(whole) if isinstance(block, Table)]
    assert [len(table.rows) for table in tables if table.key.startswith("plots")] == [PLOTS] * 3
    assert any(block.key.startswith("residual-map") for block in maps(whole))
    assert not any(section.key == "plots-beside" for section in whole.sections)


def test_in_place_of_a_map_of_residuals_the_largest_are_named(
    analysis: Analysis, document: Document, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert [block.key for block in maps(document)] == ["field-map"]
    rows = analysis.residuals
    rows = rows[(rows["measure"] == "pest_days") & (rows["variable"] == "mites")]
    sizes = rows.set_index("plot")["studentized"].abs().sort_values(ascending=False)
    (said,) = residual_texts(document)
    assert len(sizes) == PLOTS and sum(sizes > neighbours.BEYOND) == 1
    assert f"1 of {PLOTS} plots has" in said and f": {sizes.index[0]} (" in said
    monkeypatch.setattr(neighbours, "BEYOND", 2)
    monkeypatch.setattr(neighbours, "MOST_NAMED", 5)
    (said,) = residual_texts(compose(analysis))
    assert f"{sum(sizes > 2)} of {PLOTS} plots have" in said
    assert [f"{plot} (" in said for plot in sizes.index[:6]] == [*[True] * 5, False]
    monkeypatch.setattr(neighbours, "BEYOND", 9)
    (said,) = residual_texts(compose(analysis))
    assert "no studentized residual" in said


def maps(document: Document) -> list[FieldMap]:
    return [block for block in printed(document) if isinstance(block, FieldMap)]


def residual_texts(document: Document) -> list[str]:
    texts = [block.text for block in printed(document) if isinstance(block, Paragraph)]
    return [text for text in texts if "studentized residual" in text and "record" in text]


def test_a_legend_names_no_more_treatments_than_can_be_found(
    analysis: Analysis, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert len(maps(compose(analysis))[0].legend) == TREATMENTS
    monkeypatch.setattr(field, "MOST_IN_LEGEND", TREATMENTS - 1)
    (block,) = maps(compose(analysis))
    assert not block.legend
    assert block.caption.endswith("The table of treatments has their names.")


@pytest.mark.parametrize(
    ("columns", "name"), [(200, "12"), (60, "a name of some length"), (15, "")]
)
def test_a_map_wider_than_paper_is_parted(columns: int, name: str) -> None:
    plots = tuple(
        MapPlot(row=row, column=column, plot=f"{row}{column:03d}", treatment=name, block=f"{side}")
        for row in (1, 2)
        for column in range(1, columns + 1)
        for side in [row + 2 * (column > 20)]
    )
    whole = FieldMap(
        key="field-map",
        caption="Plots",
        plots=plots,
        legend=(("1", "Tarnock", "#ffffff"),),
        rows=(1, 2),
        columns=tuple(range(1, columns + 1)),
    )
    strips = map_strips(whole, *MAP_ROOM)
    assert [column for strip in strips for column in strip.columns] == list(whole.columns)
    assert [strip.caption for strip in strips] == ["Plots", *[""] * (len(strips) - 1)]
    assert [len(strip.legend) for strip in strips] == [*[0] * (len(strips) - 1), 1]
    widths = [len(strip.columns) for strip in strips]
    assert max(widths) <= 40 and max(widths) - min(widths) <= 1
    assert (len(strips) == 1) == (columns == 15)
    for strip in strips:
        for row in strip.rows:
            for column in strip.columns:
                assert strip.at(row, column) == whole.at(row, column)
                assert map_edges(strip, row, column) == map_edges(whole, row, column)
