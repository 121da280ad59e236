"""Rows of a sheet that are no data: means and totals, notes, tables further down."""

from __future__ import annotations

import re
from collections.abc import Collection, Sequence
from dataclasses import dataclass

from trialkit.problems import quoted
from trialkit.reading.cells import Cell, Grid, Ledger, Row, undash
from trialkit.reading.headers import field_of, normal
from trialkit.reading.numbers import looks_numeric

#: Words that a plot, block or treatment may be called by as well.
_WEAK = frozenset(
    {
        "media",
        "gm",
        "suma",
        "somme",
        "summe",
        "sum",
        "sd",
        "se",
        "min",
        "max",
        "minimum",
        "maximum",
        "n",
        "f",
        "p",
        "total",
    }
)
_STRONG = re.compile(
    r"(?:(?:grand|overall|treatment|trt|trial|block|rep|replicate|plot|column|row|general|site)\s*)?"
    r"(?:means?|averages?|avg|sub-?totals?|totals?)"
    r"(?:\s*(?:of|for|per|over|±|\+/-)\s.*|[\s_.:-]*[a-z]{0,3}\d{0,3})?"
    r"|(?:means?|averages?|totals?)\s+(?:block|rep(?:licate)?|treatment|trt|plot|site)s?\W*\w{0,4}"
    r"|l\.?s\.?d\.?.*|c\.?v\.?\s*(?:\(?\s*%\s*\)?)?|coefficient of variation.*|s\.?e\.?[dm]\.?"
    r"|st(?:andar)?d\.?\s*(?:dev|err).*|stdev.*|p[\s-]*values?|f[\s-]*values?|prob.*f\W*|signif.*"
    r"|median|grand ?mean|gm|f[\s.-]*(?:test|ratio|prob\w*|pr)\W*|(?:tr?ts?|treatment)\s*prob.*"
    r"|s\.?\s?e\.?\s?[(\[]?\s?(?:d|m|diff|mean)\s?\.?\s?[)\]]?\s?(?:±|\+/?-)?|[cl]\.?\s?d\.?"
    r"(?:\s?(?:at|@)?\s?[(\[]?\s?(?:p\s?[=<]\s?)?0?\.?\d{1,2}\s?%?\s?[)\]]?)|c\.?d\.?|h\.?s\.?d\.?.*"
    r"|mittel(?:wert)?e?|durchschnitt|gesamt|moyennes?|promedios?|media|m[ée]dias?|gemiddelde|"
    r"summe|somme|suma|totale|[śs]rednia|pr[ůu]m[ěe]r|priemer|[áa]tlag|medel(?:v[äa]rde)?|"
    r"gennemsnit|gjennomsnitt|snitt|keskiarvo|medie|ortalama|[øØ∅]|x[\u0304\u0305]|x-?bar",
    re.IGNORECASE,
)
_MEAN_OF = re.compile(
    r".+[\s_:,(-]+(?:means?|averages?|avg|totals?|sum|mittel(?:wert)?|moyenne|promedio|media|m[ée]dia|"
    r"gemiddelde|[śs]rednia|medel|s\.?e\.?[dm]?|s\.?d\.?|c\.?v\.?)\.?\)?|[øØ∅]\s*.+"
    r"|(?:means?|averages?|avg|totals?|sum|mittel(?:wert)?|moyenne|promedio|media|m[ée]dia)"
    r"(?:\s+(?:of|for|von|de|di))?[\s:_-]+.+",
    re.IGNORECASE,
)
#: What a line below a table explains: "1 = Untreated", "DAT = days after treatment".
_LEGEND = re.compile(r"\w{1,8}\s*=\s*\S")
_NOTE_WORDS = ("note", "remark", "comment", "source", "legend", "nb", "n.b", "*", "#", "key:")
_LONG_ID = 30
_IDS = ("plot", "block", "replicate", "treatment", "name", "sample")


def is_summary_word(text: str) -> bool:
    """Whether a cell names a mean, a total or a statistic and can hardly name anything else."""
    return normal(text) not in _WEAK and _STRONG.fullmatch(undash(text).strip()) is not None


def may_be_summary_word(text: str) -> bool:
    """Whether a cell may name a mean, a total or a statistic."""
    return normal(text) in _WEAK or is_summary_word(text)


@dataclass(frozen=True, slots=True)
class Frame:
    """What is known of a table before its rows are sorted.

    Attributes
    ----------
    grid : Grid
    kind : str
    ids : dict
        Index from 1 of the column of each field that names rows.
    key : int
        Index of the column that every row of data fills.
    width : int
        Number of headings.
    plots : collection of str or None
        Ids of the plots, by which a row is told from a note; None where they are not known.
    """

    grid: Grid
    kind: str
    ids: dict[str, int]
    key: int
    width: int
    plots: Collection[str] | None


def frame_of(
    grid: Grid,
    kind: str,
    fields: Sequence[str | None],
    key: str,
    width: int,
    plots: Collection[str] | None,
) -> Frame:
    """Gather what `data_rows` needs from the fields of the columns."""
    ids = {
        name: index
        for index, name in reversed(list(enumerate(fields, 1)))
        if name is not None and name in _IDS
    }
    place = fields.index(key) + 1 if key in fields else 1
    return Frame(grid, kind, ids, place, width, plots)


def data_rows(frame: Frame, body: Sequence[Row], ledger: Ledger) -> list[Row]:
    """Rows of data; what is none is kept as a warning."""
    rows: list[Row] = []
    summaries: list[Row] = []
    last = body[0][0].row - 1 if body else 0
    after_gap = below_means = False
    for index, row in enumerate(body):
        after_gap = after_gap or (row[0].row > last + 1 and bool(rows))
        # A cell of several lines is no gap.
        last = row[0].row + (sum(c.text.count("\n") for c in row) if frame.grid.separator else 0)
        key = row[frame.key - 1].text if len(row) >= frame.key else ""
        if frame.plots is not None and key in frame.plots:
            rows.append(row)
            continue
        filled = [cell for cell in row if cell.text]
        if index == 0 and frame.plots is None and _is_units(filled):
            _keep_note(frame.grid, filled, ledger)
            continue
        if below_means:
            if row[0].row == body[index - 1][0].row + 1 and not _is_like(row, rows[-1], frame):
                summaries.append(row)
                continue
            below_means = False
        if rows and after_gap and len(filled) == 1 and is_summary_word(filled[0].text):
            below_means = True  # a table of means under a title, without headings
            summaries.append(row)
            continue
        if rows and _is_statistics(filled):
            _keep_summaries(frame.grid, [*summaries, *body[index:]], ledger)
            return rows
        if after_gap and _is_heading(frame, filled):
            _tell_table_below(frame, body[index:], ledger)
            break
        if _is_summary(frame, row, filled, key):
            summaries.append(row)
        elif _is_note(frame, filled, key, after_gap=after_gap):
            _keep_note(frame.grid, filled, ledger)
        else:
            rows.append(row)
    _keep_summaries(frame.grid, summaries, ledger)
    _tell_shifted(frame, rows, ledger)
    return rows


def _is_like(row: Row, other: Row, frame: Frame) -> bool:
    """Whether a row is filled in the same columns as a row of data, with the same kind of id."""
    key = frame.ids.get("plot", frame.key)
    same = [bool(cell.text) for cell in row] == [bool(cell.text) for cell in other]
    return same and looks_numeric(_cell(row, key)) == looks_numeric(_cell(other, key))


def _tell_shifted(frame: Frame, rows: Sequence[Row], ledger: Ledger) -> None:
    """Refuse rows that have a treatment where all others have a number of a plot."""
    treatment = frame.ids.get("treatment") or frame.ids.get("name")
    if "plot" not in frame.ids or treatment is None or frame.kind != "flat":
        return
    plots = [_cell(row, frame.ids["plot"]) for row in rows]
    numbered = {
        _cell(row, treatment) for row, plot in zip(rows, plots, strict=True) if looks_numeric(plot)
    }
    shifted = [
        row
        for row, plot in zip(rows, plots, strict=True)
        if plot in numbered and not looks_numeric(plot) and _cell(row, treatment) not in numbered
    ]
    if shifted and 2 * len(shifted) < len(rows):
        ledger.error(
            "row-shifted",
            f"{quoted(_cell(shifted[0], frame.ids['plot']))} is a treatment of the rows above and "
            "stands here in the column of the plots"
            + (f", and so in {len(shifted) - 1} more rows." if len(shifted) > 1 else "."),
            "Take rows of means out, or put them under a line 'Means'.",
            frame.grid.place(shifted[0][0].row),
        )


def _cell(row: Row, index: int | None) -> str:
    return row[index - 1].text if index is not None and len(row) >= index else ""


def _is_summary(frame: Frame, row: Row, filled: list[Cell], key: str) -> bool:
    """Whether a row holds means, totals or statistics of other rows."""
    if frame.kind not in {"plots", "counts", "yield", "flat"}:
        return False
    ids = {name: _cell(row, index) for name, index in frame.ids.items()}
    # A plan lists plots: what has an id and a treatment is one, whatever its block is called.
    listed = frame.kind == "plots" and ids.get("plot") and ids.get("treatment")
    around = () if listed else ("block", "replicate", "sample")
    if any(is_summary_word(ids.get(name, "")) for name in around):
        return True
    # A plot may have such a name, but then it has a block and a treatment too.
    whole = ids.get("treatment") and (ids.get("block") or frame.kind == "plots")
    if is_summary_word(ids.get("plot", "")) and not whole:
        return True
    bare = {"treatment", "name"} & {*frame.ids} and not (ids.get("treatment") or ids.get("name"))
    if bare and not ids.get("block") and _MEAN_OF.fullmatch(ids.get("plot", "")):
        return True  # "Wimbrel (mean)" under plot, with neither treatment nor block
    if not ids.get("plot") and any(is_summary_word(ids.get(n, "")) for n in ("treatment", "name")):
        return True
    if {"plot", "block"} & {*frame.ids} and not (ids.get("plot") or ids.get("block")):
        # "Wimbrel mean" below the plots of a treatment: a row of data names its plot or block
        named = (_MEAN_OF.fullmatch(ids.get(name, "")) for name in ("treatment", "name"))
        if any(match is not None for match in named):
            return True
    first = key or filled[0].text
    if not ids.get("plot") and not ids.get("treatment") and is_summary_word(filled[0].text):
        return True
    if not may_be_summary_word(first) or (frame.plots is None and frame.kind != "flat"):
        return False
    # In a flat table a plot may have such an id, but then it has block and treatment too.
    numbers = sum(looks_numeric(cell.text) for cell in filled)
    return frame.plots is not None or numbers >= len(filled) - 1 > 0


def _is_heading(frame: Frame, filled: list[Cell]) -> bool:
    """Whether a row below a gap heads another table."""
    if len(filled) < 2 or any(looks_numeric(cell.text) for cell in filled):
        return False
    if frame.kind not in {"counts", "flat", "yield", "plots"}:
        return False
    known = [field_of(frame.kind, cell.text) in {*_IDS, "days_after", "date"} for cell in filled]
    summary = [is_summary_word(cell.text) for cell in filled]
    return sum(known) >= 2 or (any(known) and any(summary))


def _tell_table_below(frame: Frame, rows: Sequence[Row], ledger: Ledger) -> None:
    words = [cell.text for cell in rows[0] if cell.text]
    place = frame.grid.place(rows[0][0].row)
    shown = quoted(" | ".join(words), 100)
    plot = frame.ids.get("plot")
    again = plot is not None and any(field_of(frame.kind, word) == "plot" for word in words)
    if again or not any(is_summary_word(word) for word in words):
        ledger.error(
            "second-table",
            f"A second table begins here, below the first: {shown}.",
            "Put each table on a sheet or into a file of its own.",
            place,
        )
        return
    ledger.warn(
        "summary-row",
        f"A table of means begins here ({shown}); its {len(rows) - 1} rows were left out.",
        "Nothing needs to be done; means are worked out from the plots.",
        place,
    )


_UNITS = frozenset({
    "", "no", "nr", "number", "count", "counts", "n", "name", "id", "code", "kg", "g", "t", "lb",
    "cm", "mm", "m", "percent", "tha", "kgha", "dtha", "lbacre", "buacre", "buac", "bua", "kgplot",
    "lbplot", "gplot", "units", "unit", "score", "date", "text", "plants", "perplot", "perplant",
    "m2", "ft2",
})  # fmt: skip
_STATISTICS = frozenset({
    "source", "sourceofvariation", "df", "ss", "ms", "f", "p", "fvalue", "pvalue", "prf", "probf",
    "sumsq", "meansq", "sumofsquares", "meansquare", "fcrit", "variancecomponent", "variance",
    "anova", "sv", "gl", "sc", "cm",
})  # fmt: skip


def _is_units(filled: list[Cell]) -> bool:
    """Whether the first row below the headings holds nothing but units."""
    if len(filled) > 1 and normal(filled[0].text.lstrip("# ")) in _UNITS_LABEL:
        return not any(looks_numeric(cell.text) for cell in filled)
    return len(filled) > 1 and all(is_unit(cell.text) for cell in filled)


#: What a row of units begins with, where it says what it is.
_UNITS_LABEL = frozenset({
    "unit", "units", "einheit", "einheiten", "unité", "unités", "unidad", "unidades", "unità",
    "unidade", "eenheid", "jednostka", "jednostki", "jednotka", "enhet", "enhed",
})  # fmt: skip


#: A unit of a count: "no./plant", "count per leaf", "% of leaves".
_UNIT_OF = re.compile(
    r"[(\[]?(?:no\.?|nr\.?|numbers?|#|counts?|n|kg|g|t|dt|lb|bu|%|percent)\s*(?:/|per|of)\s*"
    r"[\w² ]{1,20}[)\]]?",
    re.IGNORECASE,
)


def is_unit(text: str) -> bool:
    """Whether a cell under a heading holds nothing but a unit."""
    plain = normal(text.strip("()[]")) in _UNITS and not looks_numeric(text)
    return plain or _UNIT_OF.fullmatch(text.strip()) is not None


def _is_statistics(filled: list[Cell]) -> bool:
    """Whether a row heads an analysis of variance."""
    words = {normal(cell.text) for cell in filled}
    return len(words) > _FEW_WORDS and len(words & _STATISTICS) * 4 >= len(words) * 3


_FEW_WORDS = 2


def _is_note(frame: Frame, filled: list[Cell], key: str, *, after_gap: bool) -> bool:
    first = filled[0].text
    if len(filled) == 1 and frame.width > 1:
        if looks_numeric(first):
            return False
        return frame.plots is not None or after_gap or " " in first
    if looks_numeric(key):
        return False
    if after_gap and len(filled) == 2 and first.endswith(":") and frame.width > 2:
        return True  # "Applied:" and its date, below the table
    begins = first.casefold().startswith(_NOTE_WORDS)
    if frame.plots is None:
        # Any id may stand in a list, so only what stands below it can be a note.
        sparse = 2 * len(filled) <= frame.width
        legend = _LEGEND.match(first) is not None
        return after_gap and sparse and (begins or legend or len(first) > _LONG_ID)
    if begins and (after_gap or " " in first):
        return True
    return after_gap and " " in first and not any(looks_numeric(cell.text) for cell in filled)


def _keep_note(grid: Grid, filled: list[Cell], ledger: Ledger) -> None:
    text = " | ".join(cell.text for cell in filled)
    ledger.warn(
        "note",
        f"This row holds a note and no data: {quoted(text, 300)}.",
        "It is kept here and not read as data; nothing needs to be done.",
        grid.place(filled[0].row),
    )


def _keep_summaries(grid: Grid, rows: Sequence[Row], ledger: Ledger) -> None:
    if not rows:
        return
    text = " | ".join(cell.text for cell in rows[0] if cell.text)
    more = ""
    if len(rows) > 1:
        others = ", ".join(str(row[0].row) for row in rows[1:6])
        more = f" So do {len(rows) - 1} more (row {others}{', ...' if len(rows) > 6 else ''})."
    ledger.warn(
        "summary-row",
        f"This row holds a summary and no plot: {quoted(text, 300)}.{more}",
        "It was left out; the means are worked out from the plots.",
        grid.place(rows[0][0].row),
    )
