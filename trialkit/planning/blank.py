"""Blank trials: every key and column explained, nothing invented, ready to be filled in."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping
from dataclasses import fields, replace
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

from trialkit.files import write_whole
from trialkit.plan_keys import plan_key
from trialkit.planning.blank_words import (
    CHOICES,
    caution_line,
    cautions,
    column_meanings,
    key_meanings,
)
from trialkit.reading import read_protocol
from trialkit.reading.saving import toml_value, trial_keys
from trialkit.reading.workbooks import OWN_AUTHOR
from trialkit.trial import Settings, Treatment, Trial, Variable

if TYPE_CHECKING:
    from openpyxl.worksheet.worksheet import Worksheet

    from trialkit.planning.plan import Planned

_STEPS = (
    "Fill in the sheets Trial, Variables and Treatments. Yellow cells are yours; leave empty what "
    "does not apply.",
    "Have the trial laid out: trialkit plan THIS_FILE.xlsx --out FOLDER. That draws the plots and "
    "writes the counting workbook, the field map, paper sheets and labels.",
    "Count into the workbook that the plan wrote, one sheet an assessment.",
    "Have it analysed at any time, also half filled: trialkit report WORKBOOK.xlsx --out FOLDER.",
)
_FILLING = (
    "One sheet an assessment, in walking order. Type numbers into the yellow cells; leave a cell "
    "empty where a plot could not be counted.",
    "Give the date on which it was assessed: days are then counted from it. Without it the planned "
    "day holds.",
    "A sheet that has not been filled in yet is left out of the analysis.",
    "What is typed is checked against limits; a number beyond them is a slip and is refused.",
)
_TABLES = ("treatments", "variables")
_LINES = 30


def start_trial(path: Path | str, *, source: Trial | Path | str | None = None) -> tuple[Path, ...]:
    """Write a blank trial: a workbook where the path ends in .xlsx, else a folder.

    Parameters
    ----------
    path : Path or str
    source : Trial, Path or str, optional
        An earlier trial, whose treatments, variables and settings are taken over; its plots,
        dates and counts are not.

    Returns
    -------
    tuple of Path
        The files written.

    Raises
    ------
    FileExistsError
        When the workbook is there, or the folder holds anything.
    TrialError
        When the earlier trial cannot be read.

    Examples
    --------
    >>> import trialkit
    >>> [path.name for path in trialkit.start_trial("beetles.xlsx")]
    ['beetles.xlsx']
    """
    target = Path(path)
    if target.exists() and not (target.is_dir() and not any(target.iterdir())):
        msg = f"{target} is there already; take another name."
        raise FileExistsError(msg)
    trial = None if source is None else as_blank(source)
    if target.suffix.casefold() == ".xlsx":
        write_whole(target, blank_workbook(trial))
        return (target,)
    files = blank_files(trial)
    for name, text in files.items():
        write_whole(target / name, text.encode("utf-8"))
    return tuple(target / name for name in files)


def as_blank(source: Trial | Path | str) -> Trial:
    """Take of a trial what another one of the same kind starts with."""
    trial = source if isinstance(source, Trial) else read_protocol(source)
    empty = Trial(
        title="",
        design=trial.design,
        treatments=trial.treatments,
        plots=(),
        variables=trial.variables,
    )
    return replace(
        empty,
        settings=trial.settings,
        untreated=trial.untreated,
        crop=trial.crop,
        crop_code=trial.crop_code,
        plot_area_m2=trial.plot_area_m2,
        main_plots=trial.main_plots,
        plan=MappingProxyType({k: v for k, v in trial.plan.items() if k != "plan.seed"}),
    )


def known_keys(trial: Trial | None) -> dict[str, Any]:
    """Keys of a trial by their dotted names, without variables and what is as by default."""
    if trial is None:
        return {}
    usual = {f"analysis.{item.name}": getattr(Settings(), item.name) for item in fields(Settings)}
    return {
        name: value
        for path, value in trial_keys(trial)
        if path[0] != "variables" and value != "" and usual.get(name := ".".join(path)) != value
    }


def blank_files(trial: Trial | None = None) -> dict[str, str]:
    """Files of a blank trial folder: name to text."""
    return {
        "trial.toml": _blank_toml(trial),
        "treatments.csv": _csv("treatments", [] if trial is None else _treatments(trial)),
        "variables.csv": _csv("variables", [] if trial is None else _variables(trial)),
    }


def _blank_toml(trial: Trial | None) -> str:
    known = known_keys(trial)
    meanings = key_meanings()
    listed = {**meanings, **{name: "" for name in known if name not in meanings}}
    lines = [
        "# A trial. Take the # away before a key and type its value; text stands in quotation",
        "# marks, dates are written 2025-06-12. What stays behind a # is not given.",
    ]
    section = ""
    for name in sorted(listed, key=lambda name: _SECTIONS.index(_section(name))):
        if _section(name) != section:
            section = _section(name)
            lines += ["", f"[{section}]"]
        lines += ["", f"# {listed[name]}"] if listed[name] else [""]
        short = name.partition(".")[2] if section else name
        if name in known:
            lines.append(f"{short} = {toml_value(known[name])}")
        else:
            lines.append(f"# {short} = {_shown(name)}")
    return "\n".join(lines) + "\n"


_SECTIONS = ("", "plan", "sprayer", "analysis", "report")


def _section(name: str) -> str:
    head = name.partition(".")[0] if "." in name else ""
    return head if head in _SECTIONS else ""


def _shown(name: str) -> str:
    """How a value of a key looks like; behind a # it is none."""
    key = plan_key(name)
    if key is not None:
        return key.example if key.kind == "whole" else f'"{key.example}"'
    if name == "applied":
        return "2025-06-12"
    choices = CHOICES.get(("trial", name))
    return f'"{choices[0]}"' if choices else '""'


def _treatments(trial: Trial) -> list[dict[str, object]]:
    return [_treatment(item) for item in trial.treatments]


def _treatment(item: Treatment) -> dict[str, object]:
    own: dict[str, object] = {name: getattr(item, name) for name in ("name", "rate", "rate_unit",
        "mode_of_action", "cost_per_ha")}  # fmt: skip
    applications: Any = item.applications
    if isinstance(applications, tuple):
        applications = "; ".join(applications) or None
    return {
        "treatment": item.id,
        "role": item.role.value,
        **own,
        "parts": "; ".join(item.parts) or None,
        "applications": applications,
        **item.extra,
    }


def _variables(trial: Trial) -> list[dict[str, object]]:
    return [_variable(item) for item in trial.variables]


def _variable(item: Variable) -> dict[str, object]:
    return {
        "variable": item.name,
        "label": item.label,
        "kind": item.kind.value,
        "role": item.role.value,
        "unit": item.unit,
        "threshold": item.threshold,
        "examined": item.examined,
        "code": item.code,
        "transform": None if item.transform is None else item.transform.value,
        "better": None if item.better is None else item.better.value,
    }


def _headings(table: str, rows: list[dict[str, object]]) -> list[str]:
    """Headings of a blank table, with those that the rows have beside them."""
    known = column_meanings(table)
    further = [name for row in rows for name, value in row.items() if value is not None]
    return list(dict.fromkeys([*known, *further]))


def _csv(table: str, rows: list[dict[str, object]]) -> str:
    headings = _headings(table, rows)
    stream = io.StringIO(newline="")
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(headings)
    writer.writerows(
        ["" if row.get(name) is None else row[name] for name in headings] for row in rows
    )
    return stream.getvalue()


# --- workbook ----------------------------------------------------------------------------


def blank_workbook(trial: Trial | None = None) -> bytes:
    """Make a blank workbook: settings, variables and treatments, with lists and limits."""
    from trialkit.planning.book import book_bytes, new_book

    book = new_book()
    put_explained(book.create_sheet("Explained"), None)
    put_trial_sheet(book.create_sheet("Trial"), trial)
    put_variables(book.create_sheet("Variables"), trial)
    put_treatments(book.create_sheet("Treatments"), trial)
    return book_bytes(book)


def put_explained(sheet: Worksheet, planned: Planned | None) -> None:
    """Write the sheet that explains: what to do, and what every key and column means."""
    from openpyxl.styles import Alignment

    from trialkit.planning.book import font, for_paper, high_enough, put, widths

    bold, wrap = font(13, bold=True), Alignment(wrap_text=True, vertical="top")
    rows: list[tuple[str, str, bool]] = []
    if planned is None:
        rows.append(("How to use this workbook", "", True))
        rows += [(f"{i}.", text, False) for i, text in enumerate(_STEPS, 1)]
    else:
        rows.append(("How the trial was laid out", "", True))
        rows.append(("", planned.statement, False))
        rows.append(("How to fill in", "", True))
        rows += [(f"{i}.", text, False) for i, text in enumerate(_FILLING, 1)]
    rows.append(("Cautions", "", True))
    rows += [("", text, False) for text in cautions()]
    rows.append(("Sheet Trial: what each key means", "", True))
    rows += [(name, text, False) for name, text in key_meanings().items()]
    later = ("applications", "doses", "weather", "events")
    for table in (*_TABLES, *(later if planned is not None else ())):
        rows.append((f"Sheet {table.capitalize()}: what each column means", "", True))
        rows += [(name, text, False) for name, text in column_meanings(table).items()]
    for row, (left, right, head) in enumerate(rows, 1):
        put(sheet, row, 1, left or None, font=bold if head else font(), alignment=Alignment(
            vertical="top"))  # fmt: skip
        put(sheet, row, 2, right or None, alignment=wrap)
        high_enough(sheet, row, (right, 100))
    widths(sheet, [34, 92])
    for_paper(sheet, last_row=len(rows), last_column=2, title="Explained")


def put_trial_sheet(sheet: Worksheet, trial: Trial | None) -> None:
    """Write the settings: key, value, meaning."""
    from openpyxl.styles import Alignment

    from trialkit.planning.book import (
        ASK,
        BOX,
        ask_date,
        ask_number,
        choose_from,
        font,
        for_paper,
        high_enough,
        put,
        put_headings,
        widths,
    )

    put_headings(sheet, 1, ("key", "value", "meaning"))
    known = known_keys(trial)
    meanings = key_meanings()
    names = [*meanings, *(name for name in known if name not in meanings)]
    wrap = Alignment(wrap_text=True, vertical="top")
    left = Alignment(wrap_text=True, vertical="top", horizontal="left")
    for row, name in enumerate(names, 2):
        value = known.get(name)
        put(sheet, row, 1, name, font=font(bold=True), border=BOX, alignment=wrap)
        shown = _cell_value(value)
        put(sheet, row, 2, shown, fill=ASK, border=BOX, alignment=left)
        put(sheet, row, 3, meanings.get(name), border=BOX, alignment=wrap)
        high_enough(
            sheet, row, ("" if shown is None else str(shown), 29), (meanings.get(name, ""), 72)
        )
        key = plan_key(name)
        if ("trial", name) in CHOICES:
            choose_from(sheet, f"B{row}", CHOICES["trial", name])
        elif name == "applied":
            ask_date(sheet, f"B{row}")
        elif key is not None and key.kind == "whole":
            high = key.high if key.high < 10**6 else None
            ask_number(sheet, f"B{row}", low=key.low, high=high, whole=True)
    sheet.freeze_panes = "A2"
    widths(sheet, [34, 32, 70])
    for_paper(sheet, last_row=len(names) + 1, last_column=3, title="Trial", repeat="1:1")


def _cell_value(value: Any) -> object:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, tuple):
        return "; ".join(value)
    if hasattr(value, "value"):  # an enumeration
        return str(value.value)
    return value


def put_variables(sheet: Worksheet, trial: Trial | None) -> None:
    """Write the table of variables."""
    _put_table(sheet, "variables", [] if trial is None else _variables(trial))


def put_treatments(sheet: Worksheet, trial: Trial | None) -> None:
    """Write the table of treatments."""
    _put_table(sheet, "treatments", [] if trial is None else _treatments(trial))


def _put_table(sheet: Worksheet, table: str, rows: list[dict[str, object]]) -> None:
    from openpyxl.comments import Comment
    from openpyxl.utils import get_column_letter

    from trialkit.planning.book import (
        ASK,
        BOX,
        ask_number,
        choose_from,
        for_paper,
        put,
        put_headings,
        width_for,
        widths,
    )

    headings, meanings = _headings(table, rows), column_meanings(table)
    put_headings(sheet, 1, headings, height=20)
    last = 1 + max(len(rows), _LINES)
    for row in range(2, last + 1):
        known: Mapping[str, object] = rows[row - 2] if row - 2 < len(rows) else {}
        for column, name in enumerate(headings, 1):
            put(sheet, row, column, known.get(name), fill=ASK, border=BOX)
    for column, name in enumerate(headings, 1):
        if name in meanings:
            sheet.cell(1, column).comment = Comment(meanings[name], OWN_AUTHOR, 140, 300)
        letter = get_column_letter(column)
        where = f"{letter}2:{letter}{last}"
        if (table, name) in CHOICES:
            choose_from(sheet, where, CHOICES[table, name])
        elif name in {"rate", "content", "cost_per_ha", "threshold"}:
            ask_number(sheet, where)
        elif name in {"treatment", "variable"}:
            # Ids are text: 007 and 1e3 stay as they are typed.
            for cell in sheet[letter][1:last]:
                cell.number_format = "@"
    sheet.freeze_panes = "C2"
    widths(
        sheet,
        [
            width_for((row.get(name) for row in rows), 26 if name in {"name", "label"} else 15)
            for name in headings
        ],
    )
    for_paper(
        sheet, last_row=last, last_column=len(headings), title=table.capitalize(), repeat="1:1",
        wide=True, above=caution_line() if table == "treatments" else "",
    )  # fmt: skip
