"""Planned questions to the means: trends over rates, groups against untreated and reference."""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
import pandas as pd

from trialkit.analysis.basis import Basis
from trialkit.analysis.fits.anova import (
    Keys,
    Part,
    Tested,
    in_order,
    repeat_keys,
    response_keys,
    with_place,
)
from trialkit.analysis.plots.responses import FloatArray, IntArray
from trialkit.analysis.result import join_tables
from trialkit.inference.comparisons.contrasts import group_contrast, rate_trend
from trialkit.inference.comparisons.family import t_critical, two_sided_t
from trialkit.planned import read_planned
from trialkit.trial import Treatment, TreatmentRole, Trial

#: How the note of a contrast ends that the settings name.
ASKED = "planned in the settings"
#: Column of the list of treatments that names the product line of which a treatment is a rate.
SERIES_COLUMN = "rate_series"
_RATE_WORDS = frozenset(
    {
        "low", "lower", "lowest", "medium", "middle", "mid", "high", "higher", "highest", "half",
        "full", "double", "quarter", "third", "normal", "reduced", "single", "triple", "x", "times",
        "rate", "rates", "dose", "doses",
    }
)  # fmt: skip
_NUMBER = re.compile(r"(?<![\w.,-])\d+(?:[.,]\d+)?")


@dataclass(frozen=True, slots=True, kw_only=True)
class Series:
    """Treatments that are rates of one product.

    Attributes
    ----------
    name : str
    treatments : tuple of int
        Codes, in the order of the rates.
    rates : tuple of float
    note : str
        Which rates they are, and how they were found to belong together.
    """

    name: str
    treatments: tuple[int, ...]
    rates: tuple[float, ...]
    note: str


def rate_series(trial: Trial) -> tuple[Series, ...]:
    """Find the treatments that are rates of one product.

    Those that a column ``rate_series`` of the list of treatments gives one name; without such a
    column, those whose names agree up to the first comma, their rate or a word of rate, with one
    unit and one mode of action. Mixtures, untreated and carriers belong to none.
    """
    named = {item.id: _named_series(item) for item in trial.treatments}
    given = any(named.values())
    groups: dict[tuple[str, str, str], list[int]] = {}
    for code, item in enumerate(trial.treatments):
        if item.rate is None or (not given and item.parts):
            continue
        if item.role in {TreatmentRole.UNTREATED, TreatmentRole.CARRIER}:
            continue
        name = named[item.id] if given else name_stem(item.name, item.rate)
        if name:
            action = "" if given else item.mode_of_action or ""
            key = (name.casefold(), item.rate_unit or "", action)
            groups.setdefault(key, []).append(code)
    found = []
    for codes in groups.values():
        rates = [float(trial.treatments[code].rate or 0.0) for code in codes]
        if len(set(rates)) < 2:
            continue
        order = sorted(range(len(codes)), key=lambda i: rates[i])
        first = trial.treatments[codes[order[0]]]
        found.append(
            Series(
                name=named[first.id] if given else name_stem(first.name, rates[order[0]]),
                treatments=tuple(codes[i] for i in order),
                rates=tuple(rates[i] for i in order),
                note=_series_note(trial, [codes[i] for i in order], given=given),
            )
        )
    return tuple(found)


def _named_series(item: Treatment) -> str:
    for key, text in item.extra.items():
        if "".join(mark for mark in key.casefold() if mark.isalnum()) == "rateseries":
            return text.strip()
    return ""


def name_stem(name: str, rate: float) -> str:
    """Name of a product without its rate: "Fernway" of "Fernway, half" or "Fernway 0.5 L/ha"."""
    text = re.split(r"[,;(@]\s", f"{name} ", maxsplit=1)[0]
    for match in _NUMBER.finditer(text):
        if float(match.group().replace(",", ".")) == rate:
            text = text[: match.start()].rstrip(" (@,;:")
            break
    words = text.split()
    while words and words[-1].casefold() in _RATE_WORDS:
        words.pop()
    while words and words[0].casefold() in _RATE_WORDS:
        words.pop(0)
    return " ".join(words)


def _series_note(trial: Trial, codes: list[int], *, given: bool) -> str:
    items = [trial.treatments[code] for code in codes]
    rates = ", ".join(f"{item.id} at {item.rate:g}" for item in items)
    unit = f" {items[0].rate_unit}" if items[0].rate_unit else ""
    how = (
        f"named in the column {SERIES_COLUMN}"
        if given
        else "taken for rates of one product because names, unit and mode of action agree"
    )
    return f"treatments {rates}{unit}; {how}"


def contrast_table(basis: Basis) -> pd.DataFrame:
    """Test the planned contrasts in every response after treatment, on the scale of analysis.

    Each is a question of its own, so that its p-value is not adjusted for the others. The
    linear trend is the slope per unit of rate, the curvature the coefficient of rate squared.
    """
    planned = planned_contrasts(basis.trial)
    tested = basis.tested
    if not planned or tested is None:
        return join_tables("contrasts", [])
    keys = response_keys(basis.responses, basis.scales)
    rows = np.array([coefficients for _, coefficients, _ in planned])
    words = [name for name, _, _ in planned], [note for _, _, note in planned]
    cells, alpha = rows @ basis.plan.layout.weights, basis.settings.alpha
    tables = [
        _rows(keys, columns, words, values) for columns, values in _evaluated(tested, cells, alpha)
    ]
    joined = in_order("contrasts", tables)
    before = (joined["measure"] == "count") & (joined["days_after"] <= 0)
    return joined[~before].reset_index(drop=True)


def planned_contrasts(trial: Trial) -> list[tuple[str, FloatArray, str]]:
    """Name, coefficients over the treatments, and a note, of every contrast of a trial."""
    t = len(trial.treatments)
    planned = _asked(trial)
    for series in rate_series(trial):
        trend = rate_trend(series.rates, series.treatments, t)
        number = "" if len(set(series.rates)) > 2 else "two "
        over = f"the {number}rates of {series.name}"
        planned.append((f"linear trend over {over}", trend["linear"], series.note))
        if "curvature" in trend:
            planned.append((f"curvature over {over}", trend["curvature"], series.note))
    tests = [i for i, item in enumerate(trial.treatments) if item.role is TreatmentRole.TEST]
    if len(tests) < 2:
        return planned
    listed = ", ".join(trial.treatments[i].id for i in tests)
    untreated = [i for i, item in enumerate(trial.treatments) if item.id == trial.untreated]
    references = [
        i for i, item in enumerate(trial.treatments) if item.role is TreatmentRole.REFERENCE
    ]
    for words, group in (
        ("test treatments against the untreated", untreated),
        (
            "test treatments against the reference" + ("s" if len(references) > 1 else ""),
            references,
        ),
    ):
        others = [i for i in tests if i not in group]
        if group and len(others) >= 2:
            note = f"mean of treatments {listed} minus " + (
                f"treatment {trial.treatments[group[0]].id}"
                if len(group) == 1
                else f"mean of treatments {', '.join(trial.treatments[i].id for i in group)}"
            )
            planned.append((words, group_contrast(others, group, t), note))
    return planned


def _asked(trial: Trial) -> list[tuple[str, FloatArray, str]]:
    """Contrasts that the settings name."""
    code = {item.id: i for i, item in enumerate(trial.treatments)}
    found = []
    for text in trial.settings.contrasts:
        asked = read_planned(text)
        sides = [[code[item] for item in side] for side in (asked.group, asked.against)]
        words = [
            f"treatment {side[0]}" if len(side) == 1 else f"mean of treatments {', '.join(side)}"
            for side in (asked.group, asked.against)
        ]
        row = group_contrast(sides[0], sides[1], len(trial.treatments))
        found.append((asked.name, row, f"{words[0]} minus {words[1]}; {ASKED}"))
    return found


def _evaluated(
    tested: Tested, rows: FloatArray, alpha: float
) -> list[tuple[IntArray, dict[str, FloatArray]]]:
    """Columns of the table (contrasts, k) for the responses of each fit."""
    out: list[tuple[IntArray, dict[str, FloatArray]]] = []
    for fit in tested.fits:
        found = fit.contrasts(rows)
        usable = (found.se > 0) & (found.df > 0)
        t = np.where(usable, found.estimate / np.where(usable, found.se, 1.0), np.nan)
        half = np.where(usable, t_critical(alpha, found.df) * found.se, np.nan)
        values = {
            "estimate": found.estimate,
            "se": found.se,
            "df": np.where(usable, found.df, np.nan),
            "p": two_sided_t(t, found.df),
            "lower": found.estimate - half,
            "upper": found.estimate + half,
        }
        out.append((fit.columns, values))
    return out


def _rows(
    keys: Keys,
    responses: IntArray,
    words: tuple[list[str], list[str]],
    values: dict[str, FloatArray],
) -> Part:
    count = len(words[0])
    named = repeat_keys(keys, responses, count)
    del named["transform"]
    return with_place(
        {
            **named,
            "contrast": words[0] * responses.size,
            "note": words[1] * responses.size,
            **{name: part.T.ravel() for name, part in values.items()},
        },
        responses,
        count,
    )
