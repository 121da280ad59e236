"""Headings that stand twice: the same column again, two names of one thing, tables side by side."""

from __future__ import annotations

from dataclasses import dataclass

from trialkit.problems import quoted
from trialkit.reading.cells import Grid, Ledger, Row, column_letter
from trialkit.reading.headers import normal

#: Field of a column that repeats another one cell by cell.
REPEATED = "repeated"


@dataclass(frozen=True, slots=True)
class Tops:
    """The heading row of a grid and the rows below it."""

    grid: Grid
    kind: str
    header: Row
    body: tuple[Row, ...]

    def texts(self, index: int) -> list[str]:
        """Texts of the column at an index from 0."""
        return [row[index].text if index < len(row) else "" for row in self.body]


#: Words for a day that mean something else in English, and headings of their language.
_DAY_WORDS = frozenset({"tag", "nap", "den", "pv"})
_COMPANY = frozenset({
    "parzelle", "parzellennr", "wdh", "wiederholung", "variante", "behandlung", "prüfglied",
    "pruefglied", "versuchsglied", "anzahl", "ismétlés", "kezelés", "parcella", "opakování",
    "varianta", "parcelka", "ošetření", "ruutu", "kerranne", "koejäsen", "käsittely",
})  # fmt: skip


def settle_day_word(header: Row, fields: list[str | None]) -> None:
    """Take ``Tag`` beside ``Parzelle`` for the day; beside ``Plot`` it may be a label."""
    words = [normal(cell.text) for cell in header]
    if "days_after" in fields or not _COMPANY.intersection(words):
        return
    places = [i for i, word in enumerate(words) if word in _DAY_WORDS and fields[i] is None]
    if len(places) == 1:
        fields[places[0]] = "days_after"


def settle_doubles(tops: Tops, fields: list[str | None], ledger: Ledger) -> None:
    """Leave one column to each field, and say so where two columns ask for the same."""
    twice = [
        (field, places)
        for field in dict.fromkeys(field for field in fields if field is not None)
        if len(places := [i for i, name in enumerate(fields) if name == field]) > 1
    ]
    if _side_by_side(tops, twice):
        first, second = twice[0][1][:2]
        ledger.error(
            "two-tables",
            f"Two tables stand side by side; the second begins in column "
            f"{column_letter(second + 1)} ({quoted(tops.header[second].text)}).",
            "Put each table on a sheet or into a file of its own.",
            tops.grid.place(tops.header[0].row, tops.header[first].text),
        )
        for index in range(second, len(fields)):
            fields[index] = REPEATED
        return
    for field, places in twice:
        if not _settled(tops, field, places, fields, ledger):
            _tell_twice(tops, field, places, ledger)
            for index in places[1:]:
                fields[index] = REPEATED


def _settled(
    tops: Tops, field: str, places: list[int], fields: list[str | None], ledger: Ledger
) -> bool:
    """Settle columns of one field without a question; False where it has to be asked."""
    header = tops.header
    if field == "treatment" and "name" not in fields and tops.kind != "applications":
        # 'Trt' beside 'Treatment': the short one is the id, the long one the name.
        named = [i for i in places if normal(header[i].text) in {"treatment", "treatments"}]
        if len(named) == 1 and len(places) == 2:
            fields[named[0]] = "name"
            return True
    exact = [i for i in places if normal(header[i].text) == normal(field)]
    kept = exact[0] if exact else places[0]
    others = [i for i in places if i != kept]
    same = [i for i in others if tops.texts(i) == tops.texts(kept)]
    if len(same) < len(others) and len(exact) != 1:
        return False
    kept_as_text = tops.kind in {"treatments", "applications"} or field in {"name", "role"}
    for i in others:
        fields[i] = None if kept_as_text and i not in same else REPEATED
        if fields[i] is REPEATED and i not in same:
            ledger.warn(
                "column-not-read",
                f"{quoted(header[i].text)} stands for {field} too and was not read; "
                f"{quoted(header[kept].text)} was taken.",
                "Nothing needs to be done if that is right.",
                tops.grid.place(header[0].row, header[i].text),
            )
    return True


def _side_by_side(tops: Tops, twice: list[tuple[str, list[int]]]) -> bool:
    """Whether headings begin anew further right, as of a second table."""
    words = [normal(cell.text) for cell in tops.header]
    again = [index for index, word in enumerate(words) if word and word in words[:index]]
    gap = any(not cell.text for cell in tops.header[: max(again, default=0)])
    keys = any(
        field in {"plot", "treatment"} and set(places[1:]) & set(again) for field, places in twice
    )
    return keys and (len(again) > 1 or (gap and bool(again)))


def _tell_twice(tops: Tops, field: str, places: list[int], ledger: Ledger) -> None:
    header = tops.header
    ledger.error(
        "column-twice",
        f"Two columns stand for {field}: "
        + " and ".join(
            f"{quoted(header[i].text)} (column {column_letter(i + 1)})" for i in places[:2]
        )
        + ".",
        "Keep one of them, or give the other another heading.",
        tops.grid.place(header[0].row, header[places[1]].text),
    )
