"""Headings that mean what they do by the columns beside them: main plots by name, mass by area."""

from __future__ import annotations

import re
from collections import Counter

from trialkit.reading.doubles import Tops
from trialkit.reading.headers import TIMES, normal
from trialkit.reading.numbers import looks_numeric


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
    "ring", "tiller", "branch", "fruit", "head", "ear", "pflanze", "plante", "planta",
})  # fmt: skip
_FEWEST_ROWS = 6


def settle_samples(tops: Tops, fields: list[str | None]) -> None:
    """Take a column "plant" that counts up within each plot for the samples of the plot."""
    if "sample" in fields or len(tops.body) < _FEWEST_ROWS:
        return
    ids = [place for place, field in enumerate(fields) if field in _TELLS_APART]
    for place, (cell, field) in enumerate(zip(tops.header, fields, strict=False)):
        if field is not None or normal(cell.text) not in _UNITS or not ids:
            continue
        groups: dict[tuple[str, ...], list[str]] = {}
        columns = [tops.texts(index) for index in ids]
        for number, *own in zip(tops.texts(place), *columns, strict=True):
            groups.setdefault(tuple(own), []).append(number)
        sizes = [
            sorted(own) == sorted(str(n) for n in range(1, len(own) + 1)) for own in groups.values()
        ]
        if all(sizes) and max(map(len, groups.values())) > 1:
            fields[place] = "sample"


#: Fields that tell rows of different plots and days apart.
_TELLS_APART = {
    "plot", "treatment", "name", "block", "replicate", "row", "column", "main_factor",
    "sub_factor", "variable", *TIMES,
}  # fmt: skip
