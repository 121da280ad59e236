"""The workbook of a planned trial: everything that is filled in from now on, in one file."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from openpyxl import Workbook
from openpyxl.styles import Alignment
from openpyxl.utils import get_column_letter
from openpyxl.worksheet.worksheet import Worksheet

from trialkit.planning.blank import put_explained, put_treatments, put_trial_sheet, put_variables
from trialkit.planning.blank_words import CHOICES, caution_line, column_meanings
from trialkit.planning.book import (
    ASK,
    BOX,
    LARGE,
    ask_date,
    ask_number,
    ask_share,
    book_bytes,
    choose_from,
    font,
    for_paper,
    high_enough,
    line_cell,
    new_book,
    put,
    put_headings,
    width_for,
    widths,
)
from trialkit.planning.field_map import put_map
from trialkit.planning.plan import Planned
from trialkit.planning.visits import (
    Asked,
    Visit,
    asked_counts,
    asked_yields,
    in_us_units,
    lines,
    place_columns,
    visits,
)
from trialkit.trial import Plot, Trial

#: Lines above the headings of a counting sheet: label and the value of the column D.
_VALUE_COLUMN = 4
_EMPTY_LINES = 12
#: Columns printed at least, so that what stands above a narrow table is not cut.
_LEAST_COLUMNS = 6


def counting_workbook(planned: Planned, *, show_treatments: bool = False) -> bytes:
    """Make the workbook of a planned trial.

    Parameters
    ----------
    planned : Planned
    show_treatments : bool
        Whether counting sheets name the treatment of each plot. Without it counts are blind, as
        far as the counter does not look at the other sheets.

    Returns
    -------
    bytes
        A workbook (.xlsx) that `trialkit.read_trial` reads, empty, half filled or full: settings,
        variables, treatments, plots, one sheet a planned assessment, yield, applications, doses,
        weather, events, the field map, and a sheet that explains.
    """
    trial, book = planned.trial, new_book()
    put_explained(book.create_sheet("Explained"), planned)
    put_trial_sheet(book.create_sheet("Trial"), trial)
    put_variables(book.create_sheet("Variables"), trial)
    put_treatments(book.create_sheet("Treatments"), trial)
    _put_plots(book, planned)
    put_map(book.create_sheet("Field map"), trial)
    for visit in visits(trial):
        _put_visit(book.create_sheet(visit.sheet), trial, visit, show_treatments=show_treatments)
    _put_yields(book.create_sheet("Yield"), trial)
    _put_applications(book, trial)
    for name in ("doses", "weather", "events"):
        _put_empty(book.create_sheet(name.capitalize()), name, trial)
    return book_bytes(book)


def _put_plots(book: Workbook, planned: Planned) -> None:
    sheet, table = book.create_sheet("Plots"), planned.plots
    put_headings(sheet, 1, list(table.columns))
    for row, values in enumerate(table.itertuples(index=False), 2):
        for column, value in enumerate(values, 1):
            put(sheet, row, column, value, border=BOX, alignment=Alignment(horizontal="left"))
    sheet.freeze_panes = "B2"
    widths(sheet, [width_for(table[name]) for name in table.columns])
    for_paper(
        sheet,
        last_row=len(table) + 1,
        last_column=len(table.columns),
        title=planned.trial.title,
        repeat="1:1",
    )


def _put_visit(sheet: Worksheet, trial: Trial, visit: Visit, *, show_treatments: bool) -> None:
    """One assessment: who and when above, then a line for every plot or sample."""
    put(sheet, 1, 1, trial.title, font=font(16, bold=True))
    put(sheet, 2, 1, f"Planned for {visit.words}", font=font(LARGE, bold=True))
    asked = asked_counts(trial)
    text = _defined(asked)
    put(sheet, 3, 1, text, font=font(12), alignment=Alignment(wrap_text=True, vertical="top"))
    sheet.merge_cells(start_row=3, end_row=3, start_column=1, end_column=len(asked) + 4)
    high_enough(sheet, 3, (text, 80), size=12)
    above: list[tuple[str, object]] = [
        ("Days after first application", visit.day),
        ("Date assessed", None),
        ("Assessed by", None),
        ("Growth stage", None),
        ("Notes", None),
    ]
    _put_above(sheet, 4, above)
    ask_number(sheet, "D4", low=-300, high=900, whole=True)
    ask_date(sheet, "D5")
    head = 4 + len(above) + 1
    ids = ["plot", *place_columns(trial)]
    if show_treatments:
        ids.append("treatment")
    rows = lines(trial)
    if any(number is not None for _, number in rows):
        ids.append("sample")
    _put_lines(sheet, head, trial, ids, asked, rows)


def _defined(asked: Sequence[Asked]) -> str:
    """What stands under each heading, where it does not say so itself."""
    return "; ".join(f"{item.heading}: {item.hint}" for item in asked if item.hint != item.heading)


def _put_above(sheet: Worksheet, top: int, above: Sequence[tuple[str, object]]) -> None:
    for i, (label, value) in enumerate(above):
        put(sheet, top + i, 1, label, font=font(LARGE))
        look = {"font": font(LARGE), "fill": ASK, "border": BOX}
        for column in (_VALUE_COLUMN, _VALUE_COLUMN + 1):
            put(sheet, top + i, column, None, **look)
        left = Alignment(horizontal="left")
        put(sheet, top + i, _VALUE_COLUMN, value, alignment=left, **look)
        sheet.merge_cells(
            start_row=top + i,
            end_row=top + i,
            start_column=_VALUE_COLUMN,
            end_column=_VALUE_COLUMN + 1,
        )
        sheet.row_dimensions[top + i].height = 21


def _put_lines(
    sheet: Worksheet,
    head: int,
    trial: Trial,
    ids: Sequence[str],
    asked: Sequence[Asked],
    rows: Sequence[tuple[Plot, int | None]],
    *,
    notes: bool = True,
) -> None:
    """Write headings and one line a plot, with limits for what is typed, ready for paper."""
    headings = [*ids, *(item.heading for item in asked), *(["notes"] if notes else [])]
    put_headings(sheet, head, headings, size=LARGE, height=44)
    last = head + len(rows)
    for row, (plot, number) in enumerate(rows, head + 1):
        known: Mapping[str, object] = {
            "plot": plot.id,
            **{name: getattr(plot, name, None) for name in ("block", "treatment")},
            "sample": number,
        }
        for column, name in enumerate(headings, 1):
            value = known[name] if column <= len(ids) else None
            shown: dict[str, object] = {"fill": ASK}
            if column <= len(ids):
                shown = {"alignment": Alignment(horizontal="center")}
            if name == "plot":
                shown["font"] = font(LARGE, bold=True)
            line_cell(sheet, row, column, value, **shown)
        sheet.row_dimensions[row].height = 22
    for column, item in enumerate(asked, len(ids) + 1):
        _limit(sheet, headings, item, column, head + 1, last)
    sheet.freeze_panes = f"B{head + 1}"
    widths(sheet, [11] * len(ids) + [max(13, len(item.heading) * 1.5) for item in asked] + [30])
    for_paper(
        sheet,
        last_row=last,
        last_column=max(len(headings), _LEAST_COLUMNS),
        title=f"{sheet.title}: {trial.title}",
        repeat=f"{head}:{head}",
        wide=len(headings) > 7,
    )


def _limit(
    sheet: Worksheet, headings: Sequence[str], item: Asked, column: int, first: int, last: int
) -> None:
    letter = get_column_letter(column)
    where = f"{letter}{first}:{letter}{last}"
    if item.kind == "share" and item.of in headings:
        of = get_column_letter(headings.index(item.of) + 1)
        ask_share(sheet, where, f"{letter}{first}", f"{of}{first}", hint=item.hint)
    elif item.kind in {"whole", "share"}:
        ask_number(sheet, where, whole=True, hint=item.hint)
    elif item.kind == "percent":
        ask_number(sheet, where, high=100, hint=item.hint)
    else:
        ask_number(sheet, where, low=None if item.kind == "measured" else 0, hint=item.hint)


def _put_yields(sheet: Worksheet, trial: Trial) -> None:
    put(sheet, 1, 1, trial.title, font=font(16, bold=True))
    put(sheet, 2, 1, "Yield", font=font(LARGE, bold=True))
    _put_above(sheet, 3, [("Harvested by", None), ("Notes", None)])
    ids = ["plot", *place_columns(trial)]
    _put_lines(sheet, 6, trial, ids, asked_yields(trial), lines(trial, samples=False), notes=False)


def _put_applications(book: Workbook, trial: Trial) -> None:
    sheet = book.create_sheet("Applications")
    headings = list(column_meanings("applications"))
    if in_us_units(trial):
        headings[headings.index("carrier_l_per_ha")] = "carrier_gal_per_acre"
    put_headings(sheet, 1, headings, height=32)
    filled = len(trial.applications)
    for row, item in enumerate(trial.applications, 2):
        known: dict[str, object] = {
            **item.details,
            **{name: getattr(item, name, None) for name in headings if hasattr(item, name)},
        }
        for column, name in enumerate(headings, 1):
            put(sheet, row, column, known.get(name))
    last = 1 + max(filled, _EMPTY_LINES)
    _box_lines(sheet, 2, last, len(headings))
    ask_date(sheet, f"A2:A{last}")
    ask_number(sheet, f"B2:B{last}", hint=f"Spray volume, {headings[1]}")
    sheet.freeze_panes = "B2"
    widths(sheet, [14] * len(headings))
    for_paper(
        sheet,
        last_row=last,
        last_column=len(headings),
        title=trial.title,
        repeat="1:1",
        wide=True,
        above=caution_line(),
    )


def _put_empty(sheet: Worksheet, table: str, trial: Trial) -> None:
    """Write a table that is filled in as the season goes."""
    headings = list(column_meanings(table))
    put_headings(sheet, 1, headings, height=20)
    last = 1 + _EMPTY_LINES
    _box_lines(sheet, 2, last, len(headings))
    for column, name in enumerate(headings, 1):
        letter = get_column_letter(column)
        where = f"{letter}2:{letter}{last}"
        if name == "date":
            ask_date(sheet, where)
        elif name in {"rate", "actual"}:
            ask_number(sheet, where)
        elif (table, name) in CHOICES:
            choose_from(sheet, where, CHOICES[table, name])
        elif name == "treatment":
            choose_from(sheet, where, [item.id for item in trial.treatments], only=False)
    sheet.freeze_panes = "A2"
    widths(sheet, [40 if name == "what" else 16 for name in headings])
    for_paper(
        sheet,
        last_row=last,
        last_column=len(headings),
        title=trial.title,
        repeat="1:1",
        above=caution_line() if table == "doses" else "",
    )


def _box_lines(sheet: Worksheet, first: int, last: int, columns: int) -> None:
    for row in range(first, last + 1):
        for column in range(1, columns + 1):
            sheet.cell(row, column).border = BOX
            sheet.cell(row, column).fill = ASK
