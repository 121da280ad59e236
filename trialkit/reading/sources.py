"""From a path to named tables of cells: folder, workbook or flat table."""

from __future__ import annotations

import hashlib
from contextlib import suppress
from pathlib import Path

from trialkit.files import TooLargeError, read_regular
from trialkit.problems import Place, listing
from trialkit.reading.cells import Grid, Ledger
from trialkit.reading.kinds import (
    is_old,
    kind_of_content,
    kind_of_name,
    kind_of_table,
)
from trialkit.reading.maps import from_maps, seems_map, tell_map
from trialkit.reading.sorting import LIST_OF_UNDERSTOOD as LIST_OF_UNDERSTOOD
from trialkit.reading.sorting import Source as Source
from trialkit.reading.sorting import captioned, part_key, place_unknown, sort_sheets, tell_old
from trialkit.reading.textfiles import MAX_BYTES, decode, read_text_table
from trialkit.reading.workbooks import read_workbook

TEXT_TABLES = (".csv", ".tsv")
WORKBOOKS = (".xlsx", ".xlsm")
_OLD = (".xls", ".ods", ".xlsb", ".numbers", ".fods")


def open_source(path: Path, ledger: Ledger) -> Source | None:
    """Open a trial; None, with errors in the ledger, where nothing could be read."""
    name = path.resolve().name if path.name in {"", ".", ".."} else path.name
    if path.is_dir():
        return _open_folder(path, name, ledger)
    if not path.exists():
        ledger.error(
            "no-such-path",
            "There is no such file or folder.",
            "Give the path of a trial folder, a workbook (.xlsx) or a table (.csv).",
            Place(name),
        )
        return None
    ending = path.suffix.casefold()
    if ending in _OLD:
        ledger.error(
            "old-workbook",
            f"Files ending in {ending} are not read.",
            "Open it in a spreadsheet and save it as an Excel workbook (.xlsx).",
            Place(name),
        )
        return None
    source = Source(path.stem, name)
    if name.casefold() == "trial.toml":
        return _open_folder(path.resolve().parent, path.resolve().parent.name, ledger)
    data = _bytes(path, name, source, ledger)
    if data is None:
        return None
    if ending in WORKBOOKS:
        grids = read_workbook(data, name, ledger)
        if grids is None:
            return None
        sort_sheets(source, grids, ledger)
        return source
    if ending not in TEXT_TABLES and ending != ".txt":
        ledger.error(
            "unknown-file",
            f"Files ending in {ending or 'nothing'} are not read.",
            "Give a trial folder, a workbook (.xlsx) or a table (.csv).",
            Place(name),
        )
        return None
    grid = read_text_table(data, name, ledger)
    if grid is None:
        return None
    mapped = from_maps(grid, ledger)
    if mapped is None and kind_of_content(grid) is None and seems_map(grid):
        tell_map(grid, ledger)
        return None
    source.add("flat", mapped or grid)
    part_key(source, ledger)
    for beside in (path.with_suffix(".toml"), path.parent / "trial.toml"):
        if beside.is_file() and source.toml is None and not (path.parent / "plots.csv").exists():
            _read_toml(beside, source, ledger)
    return source


def _bytes(path: Path, name: str, source: Source, ledger: Ledger) -> bytes | None:
    try:
        data = read_regular(path, MAX_BYTES)
    except TooLargeError as fault:
        ledger.error(
            "file-too-large",
            f"The file was not read: {fault.strerror}.",
            "Keep only the tables of the trial in it.",
            Place(name),
        )
        return None
    except OSError as fault:
        _tell_unreadable(name, "file", fault, ledger)
        return None
    source.inputs.append((name, hashlib.sha256(data).hexdigest()))
    return data


def _tell_unreadable(name: str, word: str, fault: OSError, ledger: Ledger) -> None:
    ledger.error(
        "file-unreadable",
        f"The {word} could not be opened ({fault.strerror or 'no reason given'}).",
        "Close it in other programs, and check that it is there and that you may read it.",
        Place(name),
    )


def _is_table(path: Path) -> bool:
    """Whether an entry of a folder is a file, or has the name of a table and should be one."""
    if path.name.startswith((".", "~$")) or path.name.casefold() == f"{LIST_OF_UNDERSTOOD}.csv":
        return False
    named = path.name.casefold() == "trial.toml" or (
        path.suffix.casefold() in TEXT_TABLES and kind_of_name(path.stem) is not None
    )
    return named or path.is_file()


def _read_toml(path: Path, source: Source, ledger: Ledger) -> None:
    data = _bytes(path, path.name, source, ledger)
    text = None if data is None else decode(data, path.name, ledger)
    if text is not None:
        source.toml = (path.name, text)


def _open_folder(folder: Path, name: str, ledger: Ledger) -> Source | None:
    source = Source(name, name)
    try:
        files = sorted(
            (f for f in folder.iterdir() if _is_table(f)),
            key=lambda f: f.name,
        )
    except OSError as fault:
        _tell_unreadable(name, "folder", fault, ledger)
        return None
    tables = [item for item in files if item.suffix.casefold() in TEXT_TABLES]
    for item in files:
        if item.name.casefold() == "trial.toml":
            _read_toml(item, source, ledger)
    unknown: list[Grid] = []
    for item in tables:
        data = _bytes(item, item.name, source, ledger)
        grid = None if data is None else read_text_table(data, item.name, ledger)
        if grid is None:
            kind = kind_of_name(item.stem)
            if kind is not None:
                source.tables.setdefault(kind, [])
            continue
        kind = kind_of_table(item.stem, grid)
        if is_old(item.stem):
            tell_old(grid, "file", ledger)
        elif kind is None:
            unknown.append(grid)
        else:
            source.add(kind, captioned(grid, item.stem, kind))
    place_unknown(source, unknown, ledger, "file")
    part_key(source, ledger)
    if not tables:
        books = [item.name for item in files if item.suffix.casefold() in (*WORKBOOKS, *_OLD)]
        hint = (
            f"Give the workbook itself: {books[0]}."
            if books
            else "A trial folder holds trial.toml, treatments.csv, plots.csv and counts.csv."
        )
        inside = _trials_inside(folder)
        if inside and not books:
            hint = (
                f"It holds folders of trials ({listing(inside, 3)}): give one of them, or all with "
                "trialkit combine."
            )
        ledger.error("no-tables", "The folder holds no table (.csv).", hint, Place(name))
        return None
    for item in files:
        if item.suffix.casefold() in (*WORKBOOKS, *_OLD):
            ledger.warn(
                "unknown-file",
                "A workbook in a trial folder is not read.",
                "Save its sheets as .csv files here, or give the workbook instead of the folder.",
                Place(item.name),
            )
    return source


def _trials_inside(folder: Path) -> list[str]:
    """Names of the folders in a folder that hold a table."""
    with suppress(OSError):
        return [
            item.name
            for item in sorted(folder.iterdir())
            if item.is_dir() and any(item.glob("*.csv"))
        ]
    return []
