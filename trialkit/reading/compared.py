"""What a single table compares: its treatment column, a variety, or factors that make one."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace

from trialkit.problems import listing, quoted
from trialkit.reading.attributes import ATTRIBUTE, holds_numbers, is_rate, with_attributes
from trialkit.reading.cells import Cell, Ledger
from trialkit.reading.dates import is_dated, plain_date
from trialkit.reading.headers import ASIDE, COMPARED, TIMES, normal
from trialkit.reading.names import Names
from trialkit.reading.numbers import cell_is_number
from trialkit.reading.tables import Column, Table
from trialkit.trial import Design

_CLASSES = frozenset({
    "category", "categories", "class", "classes", "grade", "severityclass", "damageclass",
    "scoreclass",
})  # fmt: skip
_MOST_LEVELS = 12
_KEYS = (*TIMES, "sample", "variable")


@dataclass(frozen=True, slots=True)
class Compared:
    """A single table in which every row has its treatment.

    ``factors`` are the headings of those that make the treatments, where no column names them;
    ``design`` is what the order of their levels in the field shows.
    """

    table: Table
    factors: tuple[str, ...] = ()
    design: Design | None = None


def with_treatments(table: Table, names: Names, ledger: Ledger) -> Compared | None:
    """Find the treatment of each row; None, with an error in the ledger, where there is none."""
    if table.column("treatment") is not None or _is_split(table):
        return Compared(with_attributes(table, names, ledger))
    if _tell_classes(table, ledger):
        return None
    chosen = _factors(table, names)
    if not chosen:
        headers = listing([column.label for column in table.columns if column.header], 12)
        ledger.error(
            "no-column",
            f"There is no column treatment in this table; found were {headers}.",
            _what_to_name(table, names),
            table.header_place(),
        )
        return None
    if len(chosen) == 1:
        _tell_taken(table, chosen[0], ledger)
        found = [replace(c, field="treatment") if c is chosen[0] else c for c in table.columns]
        return Compared(with_attributes(table.with_columns(found), names, ledger))
    return _made_of(table, chosen, ledger)


def _tell_taken(table: Table, column: Column, ledger: Ledger) -> None:
    """Record which column was taken for the treatment; where its name does not say so, ask."""
    ledger.understand(table.grid.name, column.header, "treatment")
    if normal(column.header) not in COMPARED and column.field != "name":
        ledger.warn(
            "treatment-assumed",
            f"No column is headed treatment; {quoted(column.header)} was taken for it.",
            "Nothing needs to be done if that is right; else head the one that is.",
            table.header_place(column),
        )


def _what_to_name(table: Table, names: Names) -> str:
    """Say which columns may be the treatment, and how to head them."""
    may = [c.header for c in table.columns if _is_factor(table, c, names)]
    if not may:
        return (
            "A single table needs treatment, block or plot, and the counts together; if this is "
            "one table of a trial folder, give the folder."
        )
    return (
        f"{listing(map(quoted, may), 4)} may tell what each plot was given: head the column that "
        "does 'treatment', and the one with the blocks 'block'."
    )


def named_treatment(table: Table, treatments: Collection[str]) -> Table:
    """Take the column of varieties or products of a table of values for its treatment.

    ``treatments`` are their ids and reduced names; the column holds nothing else.
    """
    if table.column("treatment") is not None:
        return table
    named = [
        c
        for c in table.columns
        if c.field is None
        and normal(c.header) in COMPARED
        and all(x.text in treatments or normal(x.text) in treatments for x in table.cells(c))
    ]
    if len(named) != 1:
        return table
    return table.with_columns(
        [replace(c, field="treatment") if c is named[0] else c for c in table.columns]
    )


def _is_split(table: Table) -> bool:
    return table.column("main_factor") is not None and table.column("sub_factor") is not None


def _tell_classes(table: Table, ledger: Ledger) -> bool:
    """Refuse units sorted into classes, several rows a plot: no single number stands for them."""
    for column in table.columns:
        levels = {cell.text for cell in table.cells(column)}
        if column.field is None and normal(column.header) in _CLASSES and 1 < len(levels) <= 9:
            ledger.error(
                "classes",
                f"{quoted(column.header)} sorts the units of a plot into classes "
                f"({listing(sorted(levels), 6)}), each with its own row: a plot has no single "
                "number to be analysed.",
                "Give one row a plot, with a column for how many units are affected and one for "
                "how many were looked at.",
                table.header_place(column),
            )
            return True
    return False


def _factors(table: Table, names: Names) -> list[Column]:
    """Columns that make the treatments: those that tell the rows of a block apart, and others.

    Others are those that are crossed with them, each level as often as the next.
    """
    named = [
        c
        for c in table.columns
        if (c.field is None and _names_treatments(table, c))
        or (
            (c.field is None or c.field == "name")
            and (normal(c.header) in COMPARED or c.field == "name")
        )
    ]
    rest = [c for c in table.columns if c not in named and _is_factor(table, c, names)]
    if not _responses(table, [*named, *rest], names):
        return []
    blocked = any(c.field in {"block", "replicate"} for c in table.columns)
    rest = [c for c in rest if not (named and _constant(table, named[:1], c))]
    certain = [c for c in rest if is_rate(c)]
    if not blocked and not named and len(rest) > 1:
        return certain if len(certain) == len(rest) else []
    chosen = [*named[:1], *certain]
    skip = [*named, *rest]
    for column in [*named[1:], *(c for c in rest if c not in certain)]:
        if chosen and not _repeats(table, chosen, skip):
            break
        chosen.append(column)
    for column in rest:
        levels = Counter(cell.text for cell in table.cells(column))
        crossed = len(set(levels.values())) == 1 and not _constant(table, chosen, column)
        if column not in chosen and crossed and (blocked or _replicated(table, [*chosen, column])):
            chosen.append(column)
    return sorted(chosen, key=lambda c: (c not in named, c.index))


def _responses(table: Table, taken: Sequence[Column], names: Names) -> list[Column]:
    return [
        c
        for c in table.columns
        if c not in taken
        and c.field is None
        and (c.day is not None or names.knows(c.header) or holds_numbers(table, c))
    ] + [c for c in table.columns if c.field in {"value", "harvested_kg", "harvested_lb"}]


def _is_factor(table: Table, column: Column, names: Names) -> bool:
    """Whether a column may be a factor: few levels, each as often as the others."""
    if column.day is not None or not column.header or names.knows(column.header):
        return False
    cells = table.cells(column)
    if column.field == "date":
        # A date that is a treatment: what is measured is a yield, which has no day.
        others = [c for c in table.columns if c.field is None and holds_numbers(table, c)]
        yields = any(names.is_yield(c.header) for c in others)
        no_dates = not all(c.day or plain_date(c.text) for c in cells if c.text)
        if not (yields or no_dates):
            return False
    elif column.field is not None or (
        normal(column.header) in ASIDE and not _names_treatments(table, column)
    ):
        return False
    if names.is_percent(column.header) or names.is_yield(column.header):
        return False
    if column.field is None and all(is_dated(c) for c in cells if c.text):
        return False
    levels = Counter(cell.text for cell in cells)
    if is_rate(column):
        return len(levels) > 1
    if not 2 <= len(levels) <= max(2, min(_MOST_LEVELS, len(cells) // 2)):
        return column.field is None and _text_levels(cells, levels)
    return _even(levels)


def _names_treatments(table: Table, column: Column) -> bool:
    """Whether a column of ids has each of them once in every block."""
    block = table.column("block") or table.column("replicate")
    if normal(column.header) not in {"id", "code"} or block is None:
        return False
    pairs = Counter((row[block.index - 1].text, row[column.index - 1].text) for row in table.rows)
    ids = {pair[1] for pair in pairs}
    blocks = {pair[0] for pair in pairs}
    return max(pairs.values()) == 1 and len(ids) > 1 and len(pairs) == len(ids) * len(blocks)


def _even(levels: Counter[str]) -> bool:
    return min(levels.values()) * 2 >= max(levels.values()) and min(levels.values()) > 1


def _text_levels(cells: Sequence[Cell], levels: Counter[str]) -> bool:
    text = sum(not cell_is_number(cell) for cell in cells) * 2 > len(cells)
    return text and 2 <= len(levels) <= len(cells) // 2 and _even(levels)


def _replicated(table: Table, chosen: Sequence[Column]) -> bool:
    rows = Counter(tuple(row[c.index - 1].text for c in chosen) for row in table.rows)
    return min(rows.values(), default=0) > 1


def _repeats(table: Table, chosen: Sequence[Column], skip: Sequence[Column]) -> bool:
    """Whether rows of a block, day and sample are not told apart by the columns yet."""
    keys = [
        c
        for name in ("replicate", "block", *_KEYS)
        if (c := table.column(name)) is not None and c not in (*chosen, *skip)
    ]
    if not any(c.field in {"replicate", "block"} for c in keys):
        return False
    rows = Counter(tuple(row[c.index - 1].text for c in (*keys, *chosen)) for row in table.rows)
    return max(rows.values(), default=0) > 1


def _made_of(table: Table, chosen: Sequence[Column], ledger: Ledger) -> Compared:
    """Give the table a column treatment made of factors."""
    headers = tuple(column.header for column in chosen)
    place = len(table.columns) + 1
    rows = []
    for row in table.rows:
        texts = [row[column.index - 1].text for column in chosen]
        first = row[chosen[0].index - 1]
        made = first._replace(text=":".join(texts) if all(texts) else "", number=None, day=None)
        rows.append((*row, made))
    columns = [replace(c, field=ATTRIBUTE) if c in chosen else c for c in table.columns]
    columns.append(Column(place, "treatment", "treatment", chosen[0].cell))
    ledger.warn(
        "treatments-made",
        f"There is no column treatment; {listing(map(quoted, headers))} together were taken for "
        "it.",
        "Nothing needs to be done if all were given to whole plots at random; where one of them "
        'was given to larger plots, say design = "split-plot" and head the columns main_factor '
        "and sub_factor.",
        table.header_place(chosen[0]),
    )
    whole = replace(table, columns=tuple(columns), rows=tuple(rows))
    strips = _strips(table, chosen) if len(chosen) == 2 else None
    if strips is None:
        levels = [len({row[c.index - 1].text for row in table.rows}) for c in chosen]
        crossed = len({row[place - 1].text for row in rows})
        complete = crossed == levels[0] * (levels[1] if len(levels) > 1 else 1) * (
            levels[2] if len(levels) > 2 else 1
        )
        return Compared(whole, headers if complete and len(headers) <= 3 else ())
    main, sub = strips
    as_strips = [
        replace(c, field="main_factor" if c.index == main.index else "sub_factor")
        if c.index in {main.index, sub.index}
        else c
        for c in whole.columns
        if c.field != "treatment"
    ]
    ledger.warn(
        "strips-found",
        f"In every block each row has one level of {quoted(main.header)} and each column one of "
        f"{quoted(sub.header)}; the design was taken as a strip-plot."
        + (
            f" Over the blocks the levels of {quoted(main.header)} stand once in every place, as "
            "in a Latin square; differences between places are left in the error."
            if _in_square(table, main)
            else ""
        ),
        "Nothing needs to be done if that is right; else give the design.",
        table.header_place(main),
    )
    return Compared(whole.with_columns(as_strips), (), Design.STRIP_PLOT)


def _in_square(table: Table, main: Column) -> bool:
    """Whether levels in strips stand once in every place over the blocks."""
    block = table.column("block")
    for name in ("row", "column"):
        place = table.column(name)
        if block is None or place is None:
            return False
        pairs = {(r[place.index - 1].text, r[main.index - 1].text) for r in table.rows}
        cells = {(r[place.index - 1].text, r[block.index - 1].text) for r in table.rows}
        levels, places = {pair[1] for pair in pairs}, {pair[0] for pair in pairs}
        blocks = {cell[1] for cell in cells}
        if len(levels) == len(places) == len(blocks) and len(pairs) == len(levels) ** 2:
            return True
    return False


def _strips(table: Table, chosen: Sequence[Column]) -> tuple[Column, Column] | None:
    """Factors whose levels lie in whole rows and in whole columns of every block."""
    block, row, column = (table.column(name) for name in ("block", "row", "column"))
    if block is None or row is None or column is None:
        return None
    for main, sub in ((chosen[0], chosen[1]), (chosen[1], chosen[0])):
        if _constant(table, (block, row), main) and _constant(table, (block, column), sub):
            return main, sub
    return None


def _constant(table: Table, keys: Sequence[Column], column: Column) -> bool:
    found: dict[tuple[str, ...], str] = {}
    for row in table.rows:
        key = tuple(row[c.index - 1].text for c in keys)
        if found.setdefault(key, row[column.index - 1].text) != row[column.index - 1].text:
            return False
    return len(found) * 2 <= len(table.rows)
