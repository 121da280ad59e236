"""Headings that mean what they do by the columns beside them: main plots by name, mass by area."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from typing import TYPE_CHECKING

from trialkit.problems import listing, quoted
from trialkit.reading.cells import Grid, Ledger, Row
from trialkit.reading.doubles import Tops
from trialkit.reading.headers import TIMES, normal
from trialkit.reading.numbers import looks_numeric

if TYPE_CHECKING:
    from trialkit.reading.columns import Column


def settle_main_plots(tops: Tops, fields: list[str | None]) -> None:
    """Take what stands under "main plot" for its factor, where it holds the levels by name."""
    if "main_plot" not in fields or "sub_factor" not in fields or "main_factor" in fields:
        return
    place = fields.index("main_plot")
    times = Counter(text for text in tops.texts(place) if text)
    named = times and not any(looks_numeric(text) for text in times)
    if named and len(times) > 1 and min(times.values()) > 1:
        fields[place] = "main_factor"


#: Headings of the mass of a plot, where its area stands beside it.
_MASSES = {"kg": "harvested_kg", "lb": "harvested_lb", "lbs": "harvested_lb"}


def settle_mass(tops: Tops, fields: list[str | None]) -> None:
    """Take a column "kg" beside the harvested area for the mass of the plot."""
    areas = {"harvested_area_m2", "harvested_area_ft2"} & set(fields)
    if not areas or {"harvested_kg", "harvested_lb"} & set(fields):
        return
    ends = [
        (place, _MASSES[words[-1]])
        for place, (cell, field) in enumerate(zip(tops.header, fields, strict=False))
        if field is None
        and (words := re.findall(r"[a-z]+", cell.text.casefold()))
        and words[-1] in _MASSES
    ]
    if len(ends) == 1:
        fields[ends[0][0]] = ends[0][1]


_UNITS = frozenset({
    "plant", "leaf", "leaflet", "tree", "shoot", "stem", "quadrat", "frame", "trap", "hill", "pot",
    "ring", "tiller", "branch", "fruit", "head", "ear", "vine", "cane", "bunch", "cluster", "twig",
    "spur", "pod", "boll", "flower", "spike", "panicle", "sample",
    "pflanze", "baum", "trieb", "blatt", "rebe", "stock", "plante", "arbre", "feuille", "pousse",
    "rameau", "cep", "planta", "árbol", "arbol", "hoja", "brote", "pianta", "albero", "foglia",
    "germoglio", "tralcio",
})  # fmt: skip
_FEWEST_ROWS = 6
#: Field of a column of what a sample was taken from: the vine of a shoot.
SAMPLE_OF = "sample_of"
_ID = re.compile(r"\d{1,3}|[A-Za-z]|[A-Za-z]{1,6}[ _.-]?\d{1,3}")


def settle_samples(tops: Tops, fields: list[str | None]) -> None:
    """Take a column "plant" that counts up within each plot for the samples of the plot.

    Where samples were taken from samples (shoots of vines) all such columns together number them.
    """
    ids = [place for place, field in enumerate(fields) if field in _TELLS_APART]
    if len(tops.body) < _FEWEST_ROWS or not ids:
        return
    named = [
        place
        for place, (cell, field) in enumerate(zip(tops.header, fields, strict=False))
        if field in {None, "sample"} and (field or normal(cell.text) in _UNITS)
    ]
    keys = list(zip(*(tops.texts(index) for index in ids), strict=True))
    units = [place for place in named if _numbers_units(tops.texts(place), keys)]
    known = fields.index("sample") if "sample" in fields else None
    alone = next((p for p in units if _counts_up(tops.texts(p), keys)), known)
    if alone is not None and (alone in units or alone == known):
        fields[alone] = "sample"
        others = [place for place in units if place != alone]
    elif len(units) > 1 and "plot" in fields:  # else vines may be plots
        fields[units[-1]] = "sample"
        others = units[:-1]
    else:
        return
    inner = fields.index("sample")
    joined = list(zip(keys, *map(tops.texts, [*others, inner]), strict=True))
    for place in others:
        # what tells no samples apart must still be no count of anything
        fields[place] = SAMPLE_OF if len(set(joined)) == len(joined) else fields[place]


def _numbers_units(texts: Sequence[str], keys: Sequence[tuple[str, ...]]) -> bool:
    """Whether a column numbers units: short ids, the same ones in nearly every plot and day."""
    if not all(_ID.fullmatch(text) for text in texts):
        return False
    groups = _grouped(texts, keys)
    sets = Counter(frozenset(own) for own in groups.values())
    usual, times = sets.most_common(1)[0]
    return times >= 0.9 * len(groups) and max(map(len, groups.values())) > 1 and len(usual) > 0


def _counts_up(texts: Sequence[str], keys: Sequence[tuple[str, ...]]) -> bool:
    groups = _grouped(texts, keys)
    return all(
        sorted(own) == sorted(str(n) for n in range(1, len(own) + 1)) for own in groups.values()
    ) and any(len(own) > 1 for own in groups.values())


def _grouped(
    texts: Sequence[str], keys: Sequence[tuple[str, ...]]
) -> dict[tuple[str, ...], list[str]]:
    groups: dict[tuple[str, ...], list[str]] = {}
    for text, key in zip(texts, keys, strict=True):
        groups.setdefault(key, []).append(text)
    return groups


def with_nested_samples(
    columns: Sequence[Column], rows: Sequence[Row], grid: Grid, ledger: Ledger
) -> list[Row]:
    """Number samples by what they were taken from too: shoot 2 of vine 1 is 1/2."""
    outer = [column for column in columns if column.field == SAMPLE_OF]
    inner = next((column for column in columns if column.field == "sample"), None)
    if not outer or inner is None:
        return list(rows)
    names = [quoted(column.header) for column in (*outer, inner)]
    told = [column for column in columns if column.field in _TELLS_APART or column in outer]
    sizes = Counter(tuple(_text(row, column) for column in told) for row in rows)
    uneven = len(set(sizes.values())) > 1
    which = f"{names[-1]} of every {names[-2]}"
    ledger.warn(
        "samples-nested",
        f"{listing(names)} together number the samples of a plot; its mean is over all of them"
        + (
            f". There are not as many {which}: one with more of them weighs more."
            if uneven
            else "."
        ),
        f"Nothing needs to be done if that is right; else give a mean for every {names[-2]}."
        if uneven
        else "Nothing needs to be done if that is right.",
        grid.place(inner.cell.row, inner.label),
    )
    made = []
    for row in rows:
        parts = [_text(row, column) for column in (*outer, inner)]
        cells = list(row)
        if inner.index <= len(row):
            own = cells[inner.index - 1]
            cells[inner.index - 1] = own._replace(text="/".join(parts), number=None)
        made.append(tuple(cells))
    return made


def _text(row: Row, column: Column) -> str:
    return row[column.index - 1].text if column.index <= len(row) else ""


#: Fields that tell rows of different plots and days apart.
_TELLS_APART = {
    "plot", "treatment", "name", "block", "replicate", "row", "column", "main_factor",
    "sub_factor", "variable", *TIMES,
}  # fmt: skip
