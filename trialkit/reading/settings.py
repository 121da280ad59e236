"""The keys of a trial: from trial.toml or from the sheet Trial to checked values."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator, Mapping
from datetime import date, datetime
from typing import Any, NamedTuple

from trialkit.plan_keys import SECTIONS
from trialkit.problems import Place, quoted
from trialkit.reading.cells import Cell, Grid, Ledger

Value = str | int | float | bool | date | Cell | list[Any]


class Entry(NamedTuple):
    """One key of the trial with its value and place."""

    path: tuple[str, ...]
    value: Value
    place: Place
    source: str


_SECTION = re.compile(r"^\s*\[\s*([^\[\]]+?)\s*\]")
_KEY = re.compile(r"""^\s*((?:"[^"]*"|'[^']*'|[A-Za-z0-9_\-. ])+?)\s*=""")
#: Sections that say nothing where they are empty, as blanks have them.
_EMPTY_SECTIONS = frozenset({"analysis", "report", *SECTIONS})
_AT_LINE = re.compile(r"\(at line (\d+), column \d+\)|\(at end of document\)")


def toml_entries(name: str, text: str, ledger: Ledger) -> list[Entry] | None:
    """Entries of a settings file; None, with an error in the ledger, where its syntax is wrong."""
    try:
        content = tomllib.loads(text)
    except tomllib.TOMLDecodeError as fault:
        _tell_syntax(name, text, str(fault), ledger)
        return None
    lines = _key_lines(text)
    return [
        Entry(path, value, Place(name, None, lines.get(path), ".".join(path)), name)
        for path, value in _flatten(content)
    ]


def mapping_entries(name: str, content: Mapping[str, Any]) -> list[Entry]:
    """Entries of settings that a program gives, nested as in a settings file."""
    return [
        Entry(path, value, Place(name, None, None, ".".join(path)), name)
        for path, value in _flatten(content)
    ]


def _flatten(
    content: Mapping[str, Any], path: tuple[str, ...] = ()
) -> Iterator[tuple[tuple[str, ...], Any]]:
    for key, value in content.items():
        if isinstance(value, dict):
            silent = not path and key in _EMPTY_SECTIONS
            if (not value and not silent) or (len(path) == 1 and path[0] == "variables"):
                # A variable may be named without saying anything about it.
                yield (*path, key), ""
            yield from _flatten(value, (*path, key))
        else:
            yield (*path, key), value


def _key_lines(text: str) -> dict[tuple[str, ...], int]:
    """Line of each key, as far as one line holds it."""
    lines: dict[tuple[str, ...], int] = {}
    section: tuple[str, ...] = ()
    for number, line in enumerate(text.splitlines(), 1):
        if match := _SECTION.match(line):
            section = _key_path(match.group(1))
            lines.setdefault(section, number)
        elif match := _KEY.match(line):
            lines.setdefault((*section, *_key_path(match.group(1))), number)
    return lines


def _key_path(text: str) -> tuple[str, ...]:
    parts = re.findall(r""""([^"]*)"|'([^']*)'|([^."']+)""", text)
    return tuple("".join(part).strip() for part in parts)


def _tell_syntax(name: str, text: str, fault: str, ledger: Ledger) -> None:
    match = _AT_LINE.search(fault)
    lines = text.splitlines()
    number = int(match.group(1)) if match and match.group(1) else max(len(lines), 1)
    line = lines[number - 1] if number <= len(lines) else ""
    reason = _AT_LINE.sub("", fault).strip()
    if re.search(r"=\s*\d{1,2}[./]\d{1,2}[./]\d{2,4}", line):
        remedy = "Write dates with year, month and day: 2025-06-12."
    elif "overwrite" in fault.casefold() or "twice" in fault.casefold():
        remedy = "Each key may stand once; take one of the two out."
    elif re.search(r"=\s*[A-Za-z]", line) and not re.search(r"=\s*(true|false|inf|nan)\b", line):
        remedy = 'Text needs quotation marks: design = "rcbd".'
    elif re.search(r"=\s*-?\d+,\d+", line):
        remedy = "Write numbers with a point: 0.05."
    elif "=" not in line and ":" in line:
        remedy = 'Put an equals sign between key and value: title = "...".'
    elif line.count('"') % 2:
        remedy = "A quotation mark is missing."
    else:
        remedy = 'Each line is key = value, with text in quotation marks: title = "...".'
    shown = f" in {quoted(line)}" if line.strip() else ""
    ledger.error(
        "settings-syntax",
        f"The settings can't be read{shown} ({reason}).",
        remedy,
        Place(name, None, number),
    )


def sheet_entries(grid: Grid, ledger: Ledger) -> list[Entry]:
    """Entries of the sheet Trial: key in one column, value in the next."""
    column = _key_column(grid)
    entries: list[Entry] = []
    # Blanks explain every key beside it, which nobody needs to be told.
    explained = bool(grid.rows) and any(cell.text == "meaning" for cell in grid.rows[0])
    for row in grid.rows:
        cells = {cell.column: cell for cell in row}
        key = cells.get(column)
        value = cells.get(column + 1)
        if key is None or not key.text:
            _keep_stray(grid, row, ledger)
            continue
        path = _sheet_path(key.text)
        beyond = [cell for cell in row if cell.column > column + 1 and cell.text]
        if value is None or not value.text:
            if len(path) == 2 and path[0] == "variables":
                entries.append(Entry(path, "", grid.place(key.row, key.text), grid.name))
            elif row is not grid.rows[0] and not explained:
                ledger.understand(grid.name, key.text, "nothing: it has no value")
            continue
        if not entries and _is_heading(path, value):
            continue
        if beyond and not explained:
            ledger.understand(
                grid.name,
                " | ".join(cell.text for cell in beyond),
                f"a remark beside {key.text}",
            )
        entries.append(Entry(path, value, grid.place(key.row, key.text), grid.name))
    return entries


def _key_column(grid: Grid) -> int:
    """The column in which most rows start."""
    starts = [next(cell.column for cell in row if cell.text) for row in grid.rows]
    return max(set(starts), key=starts.count) if starts else 1


def _is_heading(path: tuple[str, ...], value: Cell) -> bool:
    return path[0].casefold() in {"key", "name", "item", "setting"} and value.text.casefold() in {
        "value",
        "values",
        "content",
        "setting",
    }


def _keep_stray(grid: Grid, row: tuple[Cell, ...], ledger: Ledger) -> None:
    text = " | ".join(cell.text for cell in row if cell.text)
    ledger.warn(
        "note",
        f"This row has no key: {quoted(text, 300)}.",
        "It is kept here and not used; nothing needs to be done.",
        grid.place(row[0].row),
    )


def _sheet_path(key: str) -> tuple[str, ...]:
    """Take a dotted key apart; the name of a variable may itself hold dots."""
    text = key.strip()
    head, dot, rest = text.partition(".")
    head = head.strip()
    if not dot:
        return (text,)
    if head.casefold() == "variables":
        name, dot, attribute = rest.rpartition(".")
        return (
            ("variables", name.strip(), attribute.strip()) if dot else ("variables", rest.strip())
        )
    if head.casefold() in {"analysis", "report", *SECTIONS}:
        return (head.casefold(), rest.strip())
    return (text,)


def as_text(value: Value) -> str:
    """Value as text: 1 and 1.0 are '1', dates are ISO."""
    if isinstance(value, Cell):
        return value.text
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        return str(int(value))
    if isinstance(value, datetime):
        return value.date().isoformat() if not value.time() else value.isoformat(" ")
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, list):
        return "; ".join(as_text(item) for item in value)
    return str(value).strip()
