"""Labels for stakes, bags and tubes, with the plot, the treatment or a code, and the day."""

from __future__ import annotations

import string
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import date
from typing import Final

import numpy as np
import pandas as pd

from trialkit.figures.identity import plain_line
from trialkit.planning.options import Plan
from trialkit.planning.pages import render
from trialkit.planning.visits import visits
from trialkit.trial import Plot, Trial

COLUMNS: Final = ("kind", "plot", "block", "treatment", "code", "day", "date")


@dataclass(frozen=True, slots=True, kw_only=True)
class LabelSheet:
    """A sheet of labels, in millimetres.

    Attributes
    ----------
    size : str
        As a page of the style sheet: A4 or letter.
    columns, rows : int
        Labels across and down.
    small : bool
        For tubes: labels of the days alone, in small type.
    top, side, gap : float
        Margins, and what lies between two columns.
    """

    size: str
    width: float
    height: float
    columns: int
    rows: int
    label_width: float
    label_height: float
    top: float
    side: float
    gap: float
    small: bool = False


#: Label sheets as shops sell them: 24 of 70 x 37 mm on A4, 30 of 2 5/8 x 1 inch on letter; for
#: tubes 65 of 38.1 x 21.2 mm, and 80 of 1 3/4 x 1/2 inch (common practice, no source).
SHEETS: Final = {
    "a4": LabelSheet(
        size="A4", width=210, height=297, columns=3, rows=8, label_width=70, label_height=37,
        top=0.5, side=0, gap=0,
    ),
    "letter": LabelSheet(
        size="letter", width=215.9, height=279.4, columns=3, rows=10, label_width=66.675,
        label_height=25.4, top=12.7, side=4.7625, gap=3.175,
    ),
    "tubes_a4": LabelSheet(
        size="A4", width=210, height=297, columns=5, rows=13, label_width=38.1, label_height=21.2,
        top=10.7, side=4.75, gap=2.5, small=True,
    ),
    "tubes_letter": LabelSheet(
        size="letter", width=215.9, height=279.4, columns=4, rows=20, label_width=44.45,
        label_height=12.7, top=12.7, side=7.2, gap=7.9, small=True,
    ),
}  # fmt: skip


def treatment_codes(trial: Trial) -> dict[str, str]:
    """Give every treatment a letter that does not tell what it is, from the seed of the plan.

    Parameters
    ----------
    trial : Trial

    Returns
    -------
    dict
        From the id of a treatment to its code: A, B, C and so on in random order.
    """
    seed = Plan.of(trial).whole("plan.seed") or 0
    rng = np.random.default_rng([seed, *b"codes"])
    names = [_letters(index) for index in range(len(trial.treatments))]
    return {
        item.id: names[place]
        for item, place in zip(trial.treatments, rng.permutation(len(names)), strict=True)
    }


def _letters(index: int) -> str:
    letters = string.ascii_uppercase
    return letters[index] if index < 26 else letters[index // 26 - 1] + letters[index % 26]


def label_table(trial: Trial) -> pd.DataFrame:
    """List the labels of a trial: a stake for every plot, a bag for every plot and planned day.

    Parameters
    ----------
    trial : Trial
        Laid out.

    Returns
    -------
    DataFrame
        ``kind`` (stake or bag), ``plot``, ``block``, ``treatment``, ``code`` (see
        `treatment_codes`), ``day`` and ``date`` (None for stakes).
    """
    rows = [
        (
            item.kind,
            item.plot.id,
            item.plot.block,
            item.plot.treatment,
            item.code,
            item.day,
            item.date,
        )
        for item in _labels(trial)
    ]
    return pd.DataFrame(rows, columns=list(COLUMNS), dtype=object)


@dataclass(frozen=True, slots=True)
class _Label:
    kind: str
    plot: Plot
    code: str
    day: int | None = None
    date: date | None = None


def _labels(trial: Trial) -> list[_Label]:
    codes = treatment_codes(trial)
    stakes = [_Label("stake", plot, codes[plot.treatment]) for plot in trial.plots]
    return stakes + [
        _Label("bag", plot, codes[plot.treatment], visit.day, visit.date)
        for visit in visits(trial)
        for plot in trial.plots
    ]


def labels_page(trial: Trial, sheet: str, *, blind: bool = False) -> str:
    """Make label sheets for print: HTML that is printed without scaling.

    Parameters
    ----------
    trial : Trial
        Laid out.
    sheet : {'a4', 'letter', 'tubes_a4', 'tubes_letter'}
        Stakes and bags, or tubes: one for every plot and planned day.
    blind : bool
        Whether labels carry the code of the treatment instead of its name.
    """
    names = {item.id: plain_line(item.name) for item in trial.treatments}
    title = plain_line(trial.title)
    texts, kind = [], SHEETS[sheet]
    for item in _labels(trial):
        if kind.small and item.day is None:
            continue
        plot = item.plot
        treatment, name = plain_line(plot.treatment), names[plot.treatment]
        what = treatment if name == treatment else f"{treatment} {name}"
        day = "" if item.day is None else f"{item.day} DAT".replace("-", "\N{MINUS SIGN}")
        texts.append(
            {
                "plot": plain_line(plot.id),
                "block": plain_line(f"block {plot.block}") if plot.block else "",
                "what": plain_line(item.code if blind else what),
                "day": _joined(day, None if item.date is None else item.date.isoformat()),
                "trial": title,
            }
        )
    return render(
        "plan_labels.html.j2",
        {"title": f"Labels: {title}", "sheet": asdict(kind), "pages": _paged(texts, kind)},
    )


def _joined(*parts: str | None) -> str:
    return " \N{MIDDLE DOT} ".join(plain_line(part) for part in parts if part)


def _paged(texts: Sequence[dict[str, str]], sheet: LabelSheet) -> list[Sequence[dict[str, str]]]:
    size = sheet.columns * sheet.rows
    return [texts[start : start + size] for start in range(0, len(texts), size)]
