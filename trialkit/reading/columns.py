"""The columns of a table: what each heading means, alone and by the columns beside it."""

from __future__ import annotations

import re
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace

from trialkit.problems import listing, quoted
from trialkit.reading.cells import Cell, Ledger, column_letter
from trialkit.reading.doubles import Tops, settle_day_word, settle_doubles
from trialkit.reading.headers import field_of, normal
from trialkit.reading.heading_units import HIT
from trialkit.reading.headings import DayHeader, day_header, joined, replicate_in, sample_in
from trialkit.reading.numbers import is_error_text, plain_number
from trialkit.reading.told_beside import settle_main_plots, settle_mass, settle_samples
from trialkit.reading.tops import with_bare_days, with_bare_replicates


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a table.

    Attributes
    ----------
    index : int
        Counted from 1.
    header : str
        As written; empty where there is none.
    field : str or None
        What the column was recognised as; None for a variable or an unknown column.
    cell : Cell
        The header cell.
    above : str
        The heading together with a variable in a row over it, where it names none itself.
    day : DayHeader or None
        The day in the heading, or over it.
    made : bool
        Whether the column was put together from several, of which a number is left out.
    """

    index: int
    header: str
    field: str | None
    cell: Cell
    above: str = ""
    day: DayHeader | None = None
    made: bool = False

    @property
    def label(self) -> str:
        """Header, or the letter of the column where it has none."""
        return self.header or column_letter(self.index)

    @property
    def written(self) -> str:
        """The variable as written, without its day; empty where only a day is there."""
        if self.day is not None:
            return self.day.variable
        return self.above or self.header


def make_columns(
    tops: Tops,
    width: int,
    variables: Collection[str],
    aboves: tuple[dict[int, Cell], ...],
    ledger: Ledger,
) -> tuple[Column, ...]:
    """Make the columns of a table from its headings and what stands above them.

    Parameters
    ----------
    tops : Tops
    width : int
        Number of columns, also where the last ones have no heading.
    variables : collection of str
        Reduced names and labels of variables, which go before synonyms of fields.
    aboves : tuple of dict
        What stands over each column (from 1), nearest row first.
    ledger : Ledger
    """
    header = tops.header
    for cell in header:
        # a variable of that very name, as the settings list it, is no error of a spreadsheet
        typed = is_error_text(cell.text) and normal(cell.text) not in variables
        if cell.fault in {"error", "formula"} or typed:
            ledger.error(
                "formula-without-value" if cell.fault == "formula" else "error-cell",
                f"The heading of column {column_letter(cell.column)} shows {cell.text}.",
                "Type the heading itself and save the file.",
                tops.grid.place(cell.row, column_letter(cell.column)),
            )
    fields: list[str | None] = []
    for cell in header:
        name = field_of(tops.kind, cell.text) if cell.text else None
        declared = normal(cell.text) in variables
        # A variable named in the settings goes before a synonym, not before the name itself.
        fields.append(None if declared and name and normal(cell.text) != normal(name) else name)
    if "variable" in fields and "value" not in fields:
        loose = [
            place
            for place, (cell, field) in enumerate(zip(header, fields, strict=True))
            if field is None and normal(cell.text) in _NUMBER_WORDS
        ]
        if len(loose) == 1:
            fields[loose[0]] = "value"
    if tops.kind not in {"assessments", "variables"} and not {"variable", "value"} <= set(fields):
        # A column 'count' or 'pest' alone is a variable; only both together make a long table.
        fields = [None if name in {"variable", "value"} else name for name in fields]
    settle_day_word(header, fields)
    settle_doubles(tops, fields, ledger)
    settle_main_plots(tops, fields)
    settle_mass(tops, fields)
    settle_samples(tops, fields)
    if "replicate" in fields and "block" not in fields:
        fields[fields.index("replicate")] = "block"
    above = [[over[cell.column] for over in aboves if cell.column in over] for cell in header]
    above = with_bare_days(header, fields, above)
    header = with_bare_replicates(header, fields, above, tops.grid.caption)
    columns = [
        _column(cell, field, upper)
        for cell, field, upper in zip(header, fields, above, strict=True)
    ]
    columns = _apart(columns, above, variables)
    row = header[0].row
    columns += [
        Column(index, "", None, Cell("", row, index)) for index in range(len(header) + 1, width + 1)
    ]
    return _with_one_size(_without_ordinals(columns), tops, ledger)


#: Headings of what was counted, beside a column that says what it was.
_NUMBER_WORDS = frozenset({
    "n", "no", "nb", "num", "total", "x", "y", "anzahl", "nombre", "aantal", "antal", "liczba",
    "pocet", "počet", "numero", "número", "freq", "frequency", "abundance", "quantity", "catch",
    "individuals", "cantidad", "quantidade", "quantité", "conteo", "contagem", "comptage",
    "conteggio", "effectif", "menge", "quantità", "darab", "db", "lukumäärä", "antall", "adet",
    "sayı", "număr", "numar", "countn", "ncounted", "nobserved", "noobserved", "numbercounted",
})  # fmt: skip
#: Numbered assessments, as they are called under or over their dates.
_ASSESSMENT = re.compile(
    r"(a|ass|assess|assessment|count|rating|eval|evaluation|obs|observation|reading|scouting|visit|"
    r"date|sampling|survey|bonitur|notation|zählung|comptage|conteo|rilievo)[\s_.#-]*\d{1,2}",
    re.IGNORECASE,
)


def _without_ordinals(columns: Sequence[Column]) -> tuple[Column, ...]:
    """Drop the number of an assessment where its date is known: "A2" is no variable then."""
    dated = [column for column in columns if column.day is not None and column.field is None]
    matches = [_ASSESSMENT.fullmatch(column.written) for column in dated]
    words = {match.group(1).casefold() for match in matches if match is not None}
    names = {column.written.casefold() for column in dated}
    if len(dated) < 2 or not all(matches) or len(words) > 1 or len(names) < len(dated):
        return tuple(columns)
    return tuple(
        replace(column, day=replace(column.day, variable=""))
        if column in dated and column.day is not None
        else column
        for column in columns
    )


def _apart(
    columns: list[Column], above: Sequence[Sequence[Cell]], variables: Collection[str]
) -> list[Column]:
    """Join names with the headings over them where these alone tell them apart.

    "small" and "large" below "larvae", and again below "beetles".
    """
    over = {
        column.index: upper[0].text
        for column, upper in zip(columns, above, strict=True)
        if column.field is None and column.day is None and column.written and upper
        if day_header(upper[0]) is None
        and normal(column.header) not in variables
        and not column.above
    }
    named: dict[str, set[str]] = {}
    for column in columns:
        if column.index in over:
            named.setdefault(column.header.casefold(), set()).add(over[column.index])
    uppers = {upper for found in named.values() if len(found) > 1 for upper in found}
    return [
        replace(column, above=f"{over[column.index]} {column.header}")
        if over.get(column.index) in uppers
        else column
        for column in columns
    ]


#: How many were looked at, in a heading: "larvae (n=50)", "larvae n = 50 plants".
_SIZE = re.compile(
    r"(?P<stem>.*[^\s(\[])\s*[(\[]?(?<![^\W_])n\s?=\s?\d+[^)\]]*[)\]]?", re.IGNORECASE
)


def _with_one_size(columns: tuple[Column, ...], tops: Tops, ledger: Ledger) -> tuple[Column, ...]:
    """Take columns that differ in day and size of the sample for one variable, and say so."""
    groups: dict[str, list[Column]] = {}
    for column in columns:
        match = _SIZE.fullmatch(column.written) if column.day is not None else None
        if match is not None and column.field is None:
            groups.setdefault(match["stem"].rstrip(" ,;:").casefold(), []).append(column)
    made: dict[int, Column] = {}
    for stem, own in groups.items():
        days = {replace(c.day, variable="") for c in own if c.day is not None}
        if len({c.written.casefold() for c in own}) < 2 or len(days) < len(own):
            continue
        if HIT.fullmatch(stem):
            ledger.error(
                "sizes-differ",
                f"{quoted(own[0].label)} and {quoted(own[1].label)} may be some of different "
                "numbers looked at.",
                "Write the numbers into columns of their own, such as 'plants examined', or "
                "write percentages.",
                tops.grid.place(tops.header[0].row, own[0].label),
            )
            continue
        ledger.warn(
            "sizes-differ",
            f"{listing([quoted(column.label) for column in own], 4)} give different sizes of the "
            f"sample; they were taken for one variable on {len(own)} days.",
            "Nothing needs to be done if the values are means of a unit such as a plant; if they "
            "are totals, divide them by the size of the sample.",
            tops.grid.place(tops.header[0].row, own[0].label),
        )
        for column in own:
            match = _SIZE.fullmatch(column.written)
            if match is not None and column.day is not None:
                name = match["stem"].rstrip(" ,;:")
                made[column.index] = replace(column, day=replace(column.day, variable=name))
    return tuple(made.get(column.index, column) for column in columns)


def _column(cell: Cell, field: str | None, above: list[Cell]) -> Column:
    """Make a column, with what the rows over its heading say of variable and day."""
    if field is not None:
        return Column(cell.column, cell.text, field, cell)
    day, text = day_header(cell) if cell.text else None, cell.text
    sample = sample_in(text) if above else None
    if sample is not None and not sample.rest and sample.word == "sample":
        text = f"sample {sample.number}"  # "s1" under a heading: beside one it may be a stage
    if above and day is None and plain_number(text) is not None:
        dated = day_header(above[0])
        if dated is not None and dated.day == plain_number(text):
            return Column(cell.column, cell.text, None, cell, "", dated)
    for upper in above:
        own = day.variable if day is not None else text
        if not _lacks_variable(own) and day is not None:
            break
        header = day_header(upper)
        if header is None and _lacks_variable(own):
            whole = " ".join(filter(None, (upper.text, own)))
            day, text = (replace(day, variable=whole), text) if day is not None else (None, whole)
        elif header is not None and day is None:
            day = joined(header, None, text)
        elif header is not None and day is not None and _lacks_variable(own):
            day = replace(day, variable=" ".join(filter(None, (header.variable, own))))
    return Column(cell.column, cell.text, None, cell, text if text != cell.text else "", day)


def _lacks_variable(text: str) -> bool:
    """Whether a heading without its day names no variable: nothing, a replicate or a sample."""
    if not text:
        return True
    across = replicate_in(text) or sample_in(text)
    return across is not None and not across.rest
