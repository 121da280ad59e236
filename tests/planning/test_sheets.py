"""Map, labels and paper sheets: every plot once, in walking order; text stays text."""

from __future__ import annotations

import io
from collections import Counter
from dataclasses import replace
from datetime import date
from xml.etree import ElementTree

import html5lib
import openpyxl
import pytest

from planning.conftest import factor_treatments, make_protocol
from trialkit.planning import plan_trial
from trialkit.planning.counting import counting_workbook
from trialkit.planning.field_map import map_svg, placed
from trialkit.planning.labels import SHEETS, label_table, labels_page, treatment_codes
from trialkit.planning.pages import counting_pages, map_page
from trialkit.planning.visits import visits
from trialkit.trial import Design, Treatment, Trial

ODD = '<b>=1+1</b> & "x"'


def odd_trial() -> Trial:
    trial = make_protocol(applied=date(2025, 6, 12))
    odd = Treatment(id="=2", name=ODD)
    return replace(trial, title=ODD, treatments=(*trial.treatments, odd))


def test_the_map_shows_every_plot_at_its_place() -> None:
    planned = plan_trial(odd_trial(), seed=1)
    root = ElementTree.fromstring(map_svg(planned.trial))
    texts = [item.text for item in root.iter("{http://www.w3.org/2000/svg}text")]
    for plot in planned.trial.plots:
        assert texts.count(plot.id) == 1
    assert "Ostrel" in map_svg(planned.trial)


@pytest.mark.parametrize("main_plots", [None, Design.LATIN])
def test_no_two_plots_share_a_place_on_the_map(main_plots: Design | None) -> None:
    trial = make_protocol("split-plot", main_plots=main_plots)
    trial = replace(trial, treatments=factor_treatments(), untreated=None)
    for given in (trial, make_protocol("crd", 7)):
        plots = placed(plan_trial(given, seed=1).trial)
        assert len({(item.row, item.column) for item in plots}) == len(plots)


def test_a_layout_without_places_is_drawn_by_its_blocks() -> None:
    trial = plan_trial(make_protocol(), seed=1).trial
    bare = replace(trial, plots=tuple(replace(p, row=None, column=None) for p in trial.plots))
    assert {(item.row, item.column) for item in placed(bare)} == {
        (row, column) for row in range(1, 5) for column in range(1, 6)
    }


def test_pages_parse_and_hold_text_as_text() -> None:
    planned = plan_trial(odd_trial(), seed=1)
    trial = planned.trial
    pages = [map_page(planned), counting_pages(trial, show_treatments=True)]
    pages += [labels_page(trial, sheet, blind=blind) for sheet in SHEETS for blind in (True, False)]
    for page in pages:
        html5lib.HTMLParser(strict=True).parse(page)
        assert "<b>" not in page
        assert "http://" not in page.replace("http://www.w3.org/2000/svg", "")
    assert "authorises nothing" in pages[0]


def test_labels_are_one_a_plot_and_one_a_plot_and_day() -> None:
    trial = plan_trial(odd_trial(), seed=1).trial
    table = label_table(trial)
    plots = len(trial.plots)
    assert Counter(table["kind"]) == {"stake": plots, "bag": 3 * plots}
    codes = treatment_codes(trial)
    assert sorted(codes.values()) == list("ABCDEF")
    assert codes == treatment_codes(trial)
    blind = labels_page(trial, "a4", blind=True)
    assert "Ostrel" not in blind
    assert blind.count('class="page"') == -(-4 * plots // 24)
    tubes = labels_page(trial, "tubes_a4")
    assert tubes.count('class="label"') == 3 * plots
    for sheet in SHEETS.values():
        wide = 2 * sheet.side + sheet.columns * sheet.label_width + (sheet.columns - 1) * sheet.gap
        assert wide == pytest.approx(sheet.width, abs=0.6)
        assert sheet.top + sheet.rows * sheet.label_height <= sheet.height


def test_sheets_are_counted_in_walking_order_and_blind() -> None:
    planned = plan_trial(make_protocol(plan={"plan.samples": "3"}), seed=1)
    book = openpyxl.load_workbook(io.BytesIO(counting_workbook(planned)))
    sheet = book["Counts 3 DAT"]
    head = next(row for row in sheet.iter_rows() if row[0].value == "plot")
    assert [cell.value for cell in head if cell.value] == [
        "plot", "block", "sample", "larvae", "damage", "fruits examined", "notes",
    ]  # fmt: skip
    listed = [row[0].value for row in sheet.iter_rows(min_row=head[0].row + 1)]
    assert listed == [plot.id for plot in planned.trial.plots for _ in range(3)]
    assert sheet.freeze_panes == f"B{head[0].row + 1}"
    assert sheet.print_title_rows is not None
    assert not any("Ostrel" in str(cell.value) for row in sheet.iter_rows() for cell in row)
    rules = {str(rule.sqref): rule for rule in sheet.data_validations.dataValidation}
    share = next(rule for rule in rules.values() if rule.type == "custom")
    first = head[0].row + 1
    assert share.formula1 == (
        f'AND(ISNUMBER(E{first}),E{first}>=0,E{first}=INT(E{first}),OR(F{first}="",E{first}<=F{first}))'
    )


def test_sheets_for_the_sprayer_print_the_cautions() -> None:
    planned = plan_trial(make_protocol(), seed=1)
    book = openpyxl.load_workbook(io.BytesIO(counting_workbook(planned)))
    heads = {sheet.title: sheet.oddHeader.left.text or "" for sheet in book}
    told = {name for name, text in heads.items() if "law first" in text}
    assert told == {"Treatments", "Field map", "Applications", "Doses"}
    assert all(sheet.print_area for sheet in book)


def test_text_that_looks_like_a_formula_stays_text() -> None:
    planned = plan_trial(odd_trial(), seed=1)
    book = openpyxl.load_workbook(io.BytesIO(counting_workbook(planned)))
    for sheet in book:
        for row in sheet.iter_rows():
            assert all(cell.data_type != "f" for cell in row)


def test_visits_have_their_dates() -> None:
    trial = plan_trial(make_protocol(applied=date(2025, 6, 12)), seed=1).trial
    assert [item.date for item in visits(trial)] == [
        date(2025, 6, 11), date(2025, 6, 15), date(2025, 6, 19),
    ]  # fmt: skip
