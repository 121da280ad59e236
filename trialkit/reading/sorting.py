"""Tables with or without a known name, sorted into those of a trial."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from trialkit.problems import Place, choice, quoted
from trialkit.reading.cells import Cell, Grid, Ledger
from trialkit.reading.headers import normal
from trialkit.reading.headings import day_header, undated_word
from trialkit.reading.kinds import (
    STANDARD,
    has_plots,
    has_treatments_across,
    is_old,
    kind_of_content,
    kind_of_table,
)
from trialkit.reading.maps import from_maps, seems_map, tell_map
from trialkit.reading.stacked import stacked
from trialkit.reading.treatment_key import split_key

#: Sheets that blanks and plans hold for those who fill them in.
FOR_PEOPLE = frozenset({"explained", "fieldmap"})


#: Name of the list of what was understood, which stands beside a tidy trial and is not read.
LIST_OF_UNDERSTOOD = "understood"


@dataclass(slots=True)
class Source:
    """What a path holds, sorted into the tables of a trial.

    Attributes
    ----------
    name : str
        Name of folder or file without its ending.
    label : str
        Name of folder or file as given, for messages about the whole.
    toml : tuple of (str, str) or None
        Name and text of the settings file.
    keys : mapping or None
        The settings themselves, where a program gives them.
    tables : dict
        Kind of table to its grids.
    inputs : list of (str, str)
        Name and SHA-256 of each file read.
    """

    name: str
    label: str
    toml: tuple[str, str] | None = None
    keys: Mapping[str, Any] | None = None
    tables: dict[str, list[Grid]] = field(default_factory=dict)
    inputs: list[tuple[str, str]] = field(default_factory=list)

    def add(self, kind: str, grid: Grid) -> None:
        """File a grid under its kind."""
        self.tables.setdefault(kind, []).append(grid)

    def first(self, kind: str) -> Grid | None:
        """Return the first grid of a kind."""
        grids = self.tables.get(kind)
        return grids[0] if grids else None


def part_key(source: Source, ledger: Ledger) -> None:
    """Take the list of treatments out of a sheet of data, where it has no sheet of its own."""
    if source.tables.get("treatments"):
        return
    for kind in ("flat", "counts", "plots"):
        for place, grid in enumerate(source.tables.get(kind, [])):
            data, key = split_key(grid)
            if key is None:
                continue
            source.tables[kind][place] = data
            source.tables["treatments"] = [key]
            ledger.warn(
                "treatment-key",
                f"{len(key.rows) - 1} treatments are listed beside the data, the first as "
                f"{quoted(' '.join(cell.text for cell in key.rows[1] if cell.text))}.",
                "Nothing needs to be done if that is right.",
                grid.place(key.rows[1][0].row),
            )
            return


def tell_old(grid: Grid, word: str, ledger: Ledger) -> None:
    """Say that a copy put aside was not read."""
    ledger.warn(
        f"unknown-{word}",
        f"The {word} '{grid.name}' seems to be a copy put aside and was not read.",
        "Nothing needs to be done if that is right; else give it another name.",
        grid.place(),
    )


def captioned(grid: Grid, name: str, kind: str) -> Grid:
    """Note what the name of a table of values says of variable and day."""
    return replace(grid, caption=undated_word(name)) if kind in {"counts", "flat"} else grid


def _place_hidden(source: Source, grids: Iterable[Grid], ledger: Ledger) -> None:
    """Take a hidden sheet only for a table that no other sheet gives; and say so."""
    for grid in grids:
        kind = kind_of_table(grid.sheet or "", grid)
        plan = kind in {"treatments", "plots", "applications", "variables"}
        taken = plan and kind is not None and kind not in source.tables
        if taken and kind is not None and not ("flat" in source.tables and kind == "plots"):
            source.add(kind, grid)
        ledger.warn(
            "hidden-sheet",
            f"The sheet '{grid.name}' is hidden; it was {'read' if taken else 'not read'}.",
            "Nothing needs to be done if that is right; else show it, or delete it.",
            grid.place(),
        )


def sort_sheets(source: Source, grids: Iterable[Grid], ledger: Ledger) -> None:
    """Sort the sheets of a workbook into the tables of a trial, and name those left out."""
    unknown: list[Grid] = []
    hidden: list[Grid] = []
    for grid in grids:
        if not grid.rows:
            continue
        if is_old(grid.sheet or ""):
            tell_old(grid, "sheet", ledger)
            continue
        if normal(grid.sheet or "") in {*FOR_PEOPLE, LIST_OF_UNDERSTOOD}:
            ledger.understand(grid.name, f"sheet {grid.name}", "for people, not read")
            continue
        kind = kind_of_table(grid.sheet or "", grid)
        mapped = (
            None
            if grid.hidden or kind not in {"flat", "counts", "plots"}
            else from_maps(grid, ledger)
        )
        if mapped is not None and "flat" not in source.tables:
            source.add("flat", mapped)
            continue
        if mapped is None and kind in {"flat", "counts", "plots"} and only_map(grid):
            unknown.append(grid)
            continue
        if grid.hidden and kind != "trial":
            hidden.append(grid)
        elif kind is None:
            unknown.append(grid)
        elif kind in source.tables and kind not in {"counts", "yield"}:
            ledger.warn(
                "unknown-sheet",
                f"A second sheet for {kind} is not read; "
                f"'{source.tables[kind][0].sheet}' was taken.",
                "Put everything on one sheet, or delete one of them.",
                grid.place(),
            )
        else:
            source.add(kind, captioned(grid, grid.sheet or "", kind))
    place_unknown(source, unknown, ledger, "sheet")
    _place_hidden(source, hidden, ledger)
    part_key(source, ledger)
    maps = [grid for grid in unknown if only_map(grid)]
    if maps and not {"flat", "counts"} & {*source.tables}:
        tell_map(maps[0], ledger)
    elif not source.tables:
        ledger.error(
            "no-tables",
            "No sheet of the workbook holds a table that was recognised.",
            "Name the sheets Trial, Treatments, Plots, Counts and Yield.",
            Place(source.label),
        )


def only_map(grid: Grid) -> bool:
    """Whether a sheet holds a map of the field and no table."""
    return kind_of_content(grid) is None and seems_map(grid)


def place_unknown(source: Source, grids: list[Grid], ledger: Ledger, word: str) -> None:
    """Find by their headers what tables with other names hold; the rest is named and left."""
    named = set(source.tables)
    for grid in stacked(grids, ledger):
        mapped = from_maps(grid, ledger)
        if mapped is not None and "flat" not in source.tables and "plots" not in source.tables:
            source.add("flat", mapped)
            continue
        kind = kind_of_content(grid)
        if kind == "flat" and "plots" in source.tables:
            kind = "counts"
        # Beside a table of counts by name, another one has to name its day.
        dated = day_header(Cell(undated_word(grid.name.removesuffix(".csv")), 1, 1)) is not None
        if kind is None and dated and has_plots(grid):
            kind = "counts"
        if kind in {"counts", "flat"} and _is_summary(grid, source, grids):
            ledger.warn(
                f"unknown-{word}",
                f"The {word} '{grid.name}' has treatments and no plots, as a summary of others "
                "has; it was not read.",
                "Nothing needs to be done if that is right.",
                grid.place(),
            )
            continue
        several = kind in {"counts", "flat"} and (kind not in named or dated)
        if kind is not None and (several or kind not in source.tables):
            source.add(kind, captioned(grid, grid.name.removesuffix(".csv"), kind))
            ledger.understand(grid.name, f"{word} {grid.name}", f"{_spoken(kind)}, by its headings")
            continue
        if only_map(grid):
            ledger.understand(grid.name, f"{word} {grid.name}", "a map of the field, not read")
            continue
        ledger.warn(
            f"unknown-{word}",
            f"The {word} '{grid.name}' is not known and was not read.",
            choice(grid.name.removesuffix(".csv"), STANDARD.values()),
            grid.place(),
        )
    _regroup(source, ledger)


_SUMMARY = re.compile(
    r"(?<![a-z])(?:summary|means?|results?|averages?|anova|pivot|totals?|statistics|stats|output|"
    r"graphs?|charts?|conclusions?)(?![a-z])",
    re.IGNORECASE,
)


def _is_summary(grid: Grid, source: Source, others: Iterable[Grid]) -> bool:
    """Whether a table is named as a summary and has no plots, where another one has them."""
    if _SUMMARY.search(grid.name) is None or has_plots(grid):
        return False
    known = (known for grids in source.tables.values() for known in grids)
    return any(has_plots(other) for other in (*known, *others) if other is not grid)


def _regroup(source: Source, ledger: Ledger) -> None:
    """Take counts that bring their own plan, or a plan that brings counts, as a flat table."""
    flats = source.tables.get("flat", [])
    if len(flats) > 1:
        # The first gives the plan; all others hold values of the same plots.
        for grid in flats[1:]:
            source.add("counts", grid)
        del flats[1:]
    if flats:
        return
    for kind, other in (("counts", "plots"), ("plots", "counts")):
        grids = source.tables.get(kind, [])
        if other not in source.tables and grids and kind_of_content(grids[0]) == "flat":
            source.tables["flat"] = source.tables.pop(kind)
            name = grids[0].name
            source.tables.setdefault("counts", []).extend(grids[1:])
            del grids[1:]
            ledger.understand(name, name, "flat table, for plan and counts stand together in it")
            return
    counts = source.tables.get("counts", [])
    planned = "plots" in source.tables
    if counts and not planned and has_treatments_across(counts[0], _listed(source)):
        source.tables["flat"] = [counts.pop(0)]


def _listed(source: Source) -> set[str]:
    """Whatever stands in the first columns of a list of treatments, reduced."""
    grid = source.first("treatments")
    rows = () if grid is None else grid.rows
    return {normal(cell.text) for row in rows for cell in row[:2] if cell.text}


def _spoken(kind: str) -> str:
    return "flat table" if kind == "flat" else f"table of {kind}"
