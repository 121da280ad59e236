"""Tables with replicates or samples across: brought to one row for each of them."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import replace
from itertools import pairwise

from trialkit.problems import listing, quoted
from trialkit.reading.attributes import holds_numbers
from trialkit.reading.cells import Cell, Ledger, undash, variable_section
from trialkit.reading.headings import (
    SEEMS_DAY,
    Across,
    DayHeader,
    day_header,
    replicate_in,
    sample_in,
)
from trialkit.reading.leftout import is_summary_word
from trialkit.reading.months import MONTH
from trialkit.reading.names import Names
from trialkit.reading.sums import tell_statistics, totals_of
from trialkit.reading.tables import Column, Table

_Found = dict[int, Across]
_NUMBERED = re.compile(r"(?P<stem>.*?[a-z%)])[\s_.#-]*(?P<n>\d{1,2})", re.IGNORECASE)
#: Layers of a canopy are numbered like samples and are none.
_LAYERS = frozenset({"leaf"})


def unfold(table: Table, names: Names, ledger: Ledger) -> Table:
    """Bring replicates (``rep 1 7 DAT``) and samples (``plant 3``) from headings into rows.

    A table of treatments by replicates gets a column block, one of samples a column sample.
    Columns that are numbered and could be samples, days or variables of their own are an error.
    """
    columns = [c for c in table.columns if c.field is None and not names.knows(c.written)]
    replicates = _numbered(columns, replicate_in)
    if replicates and table.column("block") is None and table.column("plot") is None:
        table = _longer(table, replicates, "block", ledger)
        columns = [c for c in table.columns if c.field is None and not names.knows(c.written)]
    elif replicates and table.column("plot") is not None and len(replicates) > 1:
        _tell_replicates(table, columns, replicates, ledger)
    samples = _numbered(columns, sample_in)
    if samples and any(item.word in _LAYERS for item in samples.values()):
        heads = [c for c in columns if c.index in samples]
        _tell_unclear(table, heads, ledger)
        return table.with_columns(
            [replace(c, field="unclear") if c in heads else c for c in table.columns]
        )
    if samples and table.column("sample") is None:
        own = [column for column in columns if column.index in samples]
        lost = totals_of(table, own, [c for c in columns if c.index not in samples])
        tell_statistics(table, lost, ledger)
        gone = [replace(c, field="left out") if c in lost else c for c in table.columns]
        table = _longer(table.with_columns(gone), samples, "sample", ledger)
    return _check_numbered(_with_count_before(table, names, ledger), names, ledger)


_WORD_BEFORE = (
    r"(?:pre-?\s?(?:count|treat(?:ment)?|spray(?:ing)?|appl(?:ication)?)?(?:\s?count)?|"
    r"before (?:the )?(?:first )?(?:treatment|application|spray(?:ing)?)|baseline|initial)"
)
_COUNT_BEFORE = re.compile(
    rf"(?P<stem>.*?)[\s_,:;(-]*(?<![^\W_]){_WORD_BEFORE}[)\]]?"
    rf"|{_WORD_BEFORE}[\s_,:;-]+(?P<other>.+)",
    re.IGNORECASE,
)


def _with_count_before(table: Table, names: Names, ledger: Ledger) -> Table:
    """Take "larvae pre" beside "larvae 7 DAT" for the count on day 0, before the treatment.

    Only where the variable has other days, and none of them is before treatment.
    """
    days: dict[str, list[float | None]] = {}
    for column in table.columns:
        if column.day is not None:
            days.setdefault(column.written.casefold(), []).append(column.day.day)
    made: dict[int, Column] = {}
    for column in table.columns:
        plain = column.field is None and column.day is None and not names.knows(column.written)
        match = _COUNT_BEFORE.fullmatch(undash(column.written)) if plain else None
        if match is None:
            continue
        stem = (match["stem"] or match["other"] or "").strip(" _-:,")
        others = days.get(stem.casefold(), [])
        if others and all(day is not None and day > 0 for day in others):
            made[column.index] = replace(column, day=DayHeader(stem, day=0.0))
            days[stem.casefold()].append(0.0)
    if made:
        heads = listing([quoted(column.label) for column in made.values()], 4)
        ledger.warn(
            "count-before",
            f"{heads} {'was' if len(made) == 1 else 'were'} taken for counts on day 0, before the "
            "treatment.",
            "Nothing needs to be done if that is right; else write how many days before it was, "
            "such as 'larvae 1 DBT'.",
            table.header_place(next(iter(made.values()))),
        )
    return table.with_columns([made.get(column.index, column) for column in table.columns])


def _numbered(columns: Sequence[Column], taken: Callable[[str], Across | None]) -> _Found:
    """Columns that differ in nothing but their number, by index; empty where there are none."""
    found = {c.index: across for c in columns if (across := taken(c.written)) is not None}
    groups: dict[tuple[object, ...], set[str]] = {}
    for column in columns:
        if column.index in found:
            across = found[column.index]
            groups.setdefault(_rest_of(column, across), set()).add(across.number)
    alike = {
        index
        for index, across in found.items()
        for column in columns
        if column.index == index and len(groups[_rest_of(column, across)]) > 1
    }
    return {index: across for index, across in found.items() if index in alike}


def _rest_of(column: Column, across: Across) -> tuple[object, ...]:
    day = None if column.day is None else replace(column.day, variable="")
    return (across.rest.casefold(), across.word, day)


def _longer(table: Table, found: _Found, field: str, ledger: Ledger) -> Table:
    """Make a row of each number, with one column for what is left of the headings."""
    numbers = list(dict.fromkeys(across.number for across in found.values()))
    groups: dict[tuple[object, ...], dict[str, Column]] = {}
    for column in table.columns:
        if column.index in found:
            across = found[column.index]
            groups.setdefault(_rest_of(column, across), {})[across.number] = column
    kept = [column for column in table.columns if column.index not in found]
    if field == "block":
        kept = _without_statistics(table, kept, ledger)
    columns = [replace(column, index=place) for place, column in enumerate(kept, 1)]
    first = min(found)
    columns.append(Column(len(columns) + 1, field, field, table.columns[first - 1].cell))
    for by_number in groups.values():
        head = next(iter(by_number.values()))
        rest = found[head.index].rest
        day = None if head.day is None else replace(head.day, variable=rest)
        if day is None:
            day = day_header(Cell(rest, head.cell.row, head.cell.column))
        columns.append(Column(len(columns) + 1, rest, None, head.cell, "", day, made=True))
    rows = []
    for row in table.rows:
        for number in numbers:
            own = [row[column.index - 1] for column in kept]
            mark = Cell(number, row[0].row, first)
            values = [
                row[by_number[number].index - 1]
                if number in by_number
                else Cell("", row[0].row, first)
                for by_number in groups.values()
            ]
            rows.append((*own, mark, *values))
    headers = [table.columns[index - 1].label for index in found]
    what = "replicate" if field == "block" else "sample"
    ledger.warn(
        "across",
        f"The headings {listing(map(quoted, headers), 4)} were taken for {len(numbers)} {what}s "
        "side by side.",
        "Nothing needs to be done if that is right.",
        table.header_place(),
    )
    return replace(table, columns=tuple(columns), rows=tuple(rows))


def _without_statistics(table: Table, kept: list[Column], ledger: Ledger) -> list[Column]:
    """Leave out means and the like beside replicates."""
    lost = [c for c in kept if c.field is None and is_summary_word(c.written)]
    tell_statistics(table, lost, ledger)
    return [column for column in kept if column not in lost]


def _tell_replicates(
    table: Table, columns: Sequence[Column], found: _Found, ledger: Ledger
) -> None:
    headers = [quoted(c.header) for c in columns if c.index in found]
    ledger.error(
        "replicates-across",
        f"{listing(headers, 4)} name replicates, and each row has a plot already.",
        "Give a table with one row for each plot, or a table of treatments by replicates without "
        "the column plot.",
        table.header_place(next(c for c in columns if c.index in found)),
    )


def _check_numbered(table: Table, names: Names, ledger: Ledger) -> Table:
    """Ask what columns are that differ in nothing but a number: larvae 1, larvae 2, larvae 3."""
    groups: dict[tuple[object, ...], dict[str, Column]] = {}
    for column in table.columns:
        if column.field is not None or names.knows(column.written):
            continue
        match = _NUMBERED.fullmatch(column.written)
        if match is not None and column.written:
            day = None if column.day is None else replace(column.day, variable="")
            groups.setdefault((match["stem"].casefold(), day), {})[match["n"]] = column
    unclear = _unclear_tails(table, names, ledger)
    for group in groups.values():
        own = list(group.values())
        if len(group) < 2 or any(column in unclear for column in own):
            continue
        if _count_days(own) and not any(column.day for column in table.columns):
            table = _with_days(table, own, ledger)
        elif all(column.day is None and holds_numbers(table, column) for column in own):
            _tell_unclear(table, own, ledger)
            unclear += own
    if not unclear:
        return table
    return table.with_columns(
        [replace(c, field="unclear") if c in unclear else c for c in table.columns]
    )


#: A heading that ends in a bare number, which a space or a minus sets apart.
_BARE = re.compile(r"(?P<stem>.*?[a-z%)])[\s_]+(?P<n>[-+]?\d{1,3})", re.IGNORECASE)
_LAST_DAY = 150
_FEWEST_DAYS = 3


def _count_days(columns: Sequence[Column]) -> bool:
    """Whether numbers at the end of headings can hardly be anything but days.

    They rise from left to right, and begin before or on the day of treatment, or lie apart in
    steps that grow, as assessments do: samples, replicates and sizes do not.
    """
    matches = [_BARE.fullmatch(undash(column.written)) for column in columns]
    numbers = [int(match["n"]) for match in matches if match is not None]
    if len(numbers) < len(columns) or len(numbers) < _FEWEST_DAYS:
        return False
    steps = [later - earlier for earlier, later in pairwise(numbers)]
    if min(steps) < 1 or max(map(abs, numbers)) > _LAST_DAY:
        return False
    return max(steps) > 1 and (numbers[0] < 0 or (max(steps) > min(steps) and steps[-1] > steps[0]))


def _with_days(table: Table, columns: Sequence[Column], ledger: Ledger) -> Table:
    made = {}
    for column in columns:
        match = _BARE.fullmatch(undash(column.written))
        if match is not None:
            header = DayHeader(match["stem"].strip(), day=float(match["n"]), certain=False)
            made[column.index] = replace(column, day=header)
    heads = listing([quoted(column.label) for column in columns], 6)
    ledger.warn(
        "bare-days",
        f"The numbers in {heads} were taken for days after treatment.",
        "Nothing needs to be done if that is right; 'larvae 7 DAT' leaves no doubt.",
        table.header_place(columns[0]),
    )
    return table.with_columns([made.get(column.index, column) for column in table.columns])


#: Ends of headings that tell columns of one variable apart, and what they may be.
_TAILS = tuple(
    (re.compile(rf"(?P<stem>.*?)[\s_(\[,:;-]*(?:{tail})[)\]]?", re.IGNORECASE), meaning, remedy)
    for tail, meaning, remedy in (
        (
            r"\d{1,2}\s?[/.-]\s?\d{1,2}\.?",
            "dates without a year",
            "Write dates with their year, such as 'larvae 2025-06-19', or days: 'larvae 7 DAT'.",
        ),
        (
            r"(?<![^\W\d_])(?:bbch|gs|growth stage|stage|zadoks|z|v|r)[\s_.-]*\d{1,3}",
            "growth stages",
            "Write the day beside the stage, such as 'larvae 7 DAT', and the stages into a table "
            "of assessments.",
        ),
        (
            r"[-+]?\d+(?:[.,]\d+)?(?:e\d+)?",
            "days, samples or replicates",
            "For days write 'larvae 7 DAT', for samples 'sample 1', for replicates 'rep 1'; "
            "variables of their own are described under [variables].",
        ),
        (
            r"(?<=[\s_.-])[a-h]",
            "samples, days, or variables of their own",
            "For samples write 'sample 1' and so on; variables of their own are described under "
            "[variables].",
        ),
    )
)


def _unclear_tails(table: Table, names: Names, ledger: Ledger) -> list[Column]:
    """Tell of columns that have no day and differ in a date, a stage, a letter, a bare number."""
    loose = [
        c
        for c in table.columns
        if c.field is None and c.day is None and c.header and not names.knows(c.written)
    ]
    told: list[Column] = []
    for place, (pattern, meaning, remedy) in enumerate(_TAILS):
        groups: dict[str, list[Column]] = {}
        for column in loose:
            match = pattern.fullmatch(undash(column.written))
            if match is not None and column not in told:
                groups.setdefault(match["stem"].strip().casefold(), []).append(column)
        for stem, group in groups.items():
            numbers = place == _NUMBERS
            letters = place == len(_TAILS) - 1
            alone = numbers and not stem and holds_numbers(table, group[0])
            if len(group) < 2 and not alone:
                continue
            if (numbers and stem) or (letters and not _from_a(group)):
                continue
            heads = listing([quoted(column.label) for column in group], 6)
            ledger.error(
                "numbered-columns",
                f"{heads} may be {meaning}.",
                remedy.replace("larvae", group[0].written.split()[0]) if stem else remedy,
                table.header_place(group[0]),
            )
            told += group
    rest = [column for column in loose if column not in told and holds_numbers(table, column)]
    for group in _alike(rest):
        if all(_NUMBERED.fullmatch(column.written) for column in group):
            continue  # asked about below, where they count up
        _tell_unclear(table, group, ledger)
        told += group
    for column in rest:
        if column not in told and SEEMS_DAY.search(undash(column.written)):
            ledger.error(
                "day-unreadable",
                f"The heading {quoted(column.label)} seems to hold a day that can't be read.",
                "Write it as 'larvae 7 DAT' for days after treatment, 'larvae 1 DBT' for days "
                "before it.",
                table.header_place(column),
            )
            told.append(column)
    return told


_TIMES = (
    r"pre|post|before|after|early|mid|middle|late|first|second|third|fourth|fifth|last|1st|2nd|3rd|"
    r"4th|5th|initial|final|start|end|spring|summer|autumn|fall|winter|morning|evening"
)
#: What tells headings of one variable apart: numbers without a unit, words of time, months.
_TELLING = re.compile(
    rf"(?<![^\W_])(?:\d+(?:st|nd|rd|th)|{_TIMES}|{MONTH})(?![^\W_])"
    r"|\d+(?:[.,]\d+)?(?!\s*(?:mm|cm|m|g|kg|mg|l|ml|%|percent|x|\d|[.,]\d)(?![^\W\d_]))",
    re.IGNORECASE,
)


def _alike(columns: Sequence[Column]) -> list[list[Column]]:
    """Group columns without a day whose headings differ in a number or a word of time alone."""
    groups: dict[str, list[Column]] = {}
    for column in columns:
        text = undash(column.written).casefold()
        skeleton = _TELLING.sub("\N{BULLET}", text)
        if skeleton != text:
            groups.setdefault(" ".join(skeleton.split()), []).append(column)
    return [
        group
        for group in groups.values()
        if len({column.written.casefold() for column in group}) > 1
    ]


#: Place of bare numbers among the tails.
_NUMBERS = 2


def _from_a(group: Sequence[Column]) -> bool:
    """Whether headings end in the letters from a on."""
    last = [column.written.strip(" )]")[-1].casefold() for column in group]
    return sorted(last) == [chr(ord("a") + place) for place in range(len(last))]


def _tell_unclear(table: Table, columns: Sequence[Column], ledger: Ledger) -> None:
    headers = [quoted(column.label) for column in columns]
    first = columns[0].written
    ledger.error(
        "numbered-columns",
        f"{listing(headers, 6)} may be samples of one plot, days, or variables of their own.",
        "For samples write 'sample 1', 'sample 2' and so on; for days '7 DAT', '14 DAT'; variables "
        f"of their own are described: {variable_section(first)}.",
        table.header_place(columns[0]),
    )
