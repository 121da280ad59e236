"""Printed tables of trials that took place (in a simulation), and faults planted in them."""

from __future__ import annotations

import math
from dataclasses import replace
from decimal import ROUND_HALF_EVEN, ROUND_HALF_UP, Decimal

import numpy as np
from scipy import special

from trialkit.desk.audit import Column, PrintedTable
from trialkit.desk.audit.rounding import Printed, read_printed
from trialkit.inference.comparisons.distributions import studentized_range_isf
from trialkit.inference.comparisons.letters import letters


class Style:
    """How one author rounds."""

    def __init__(self, rng: np.random.Generator) -> None:
        self.rule = ROUND_HALF_UP if rng.random() < 0.5 else ROUND_HALF_EVEN
        self.drops = rng.random() < 0.3
        self.digits = int(rng.integers(3, 5)) if rng.random() < 0.15 else None
        self.decimals = int(rng.integers(1, 3))

    def __call__(self, value: float, decimals: int | None = None) -> Printed:
        places = self.decimals if decimals is None else decimals
        if self.digits is not None and decimals is None and value:
            places = self.digits - 1 - math.floor(math.log10(abs(value)))
        step = Decimal(1).scaleb(-places)
        text = f"{Decimal(repr(float(value))).quantize(step, rounding=self.rule):f}"
        if self.drops and "." in text:
            text = text.rstrip("0").rstrip(".")
        found = read_printed("0" if text in {"-0", ""} else text)
        assert found is not None
        return found


def exact(value: float) -> Printed:
    found = read_printed(f"{value:g}")
    assert found is not None
    return found


def honest_table(rng: np.random.Generator, *, plain: bool = False) -> PrintedTable:
    """A table of whole counts; ``plain`` for one in which everything is printed and said."""
    style = Style(rng)
    if plain:
        style.drops, style.digits, style.decimals = False, None, 2
    k, n = int(rng.integers(6 if plain else 3, 11)), int(rng.integers(3, 7))
    blocks = bool(rng.random() < 0.7)
    days = [0.0, *sorted(rng.choice(np.arange(1, 40), int(rng.integers(2, 5)), replace=False))]
    samples = int(rng.choice([1, 1, 5, 10]))
    per = samples if rng.random() < 0.5 else 1
    level = rng.uniform(5, 80)
    effect = np.concatenate([[1.0], rng.uniform(0.03, 1.2, k - 1)])
    plot = rng.gamma(8, 1 / 8, (k, n))
    names = ["Untreated", *(f"Product {i}" for i in range(1, k))]
    counts = {}
    for number, day in enumerate(days):
        mean = level * plot * (effect[:, None] if number else 1.0) * samples / (10 / 5)
        counts[day] = rng.poisson(mean * rng.gamma(12, 1 / 12, (k, n)))
    rate = "abbott" if plain else str(rng.choice(["abbott", "henderson-tilton", "blocks"]))
    columns = []
    for number, day in enumerate(days):
        values = counts[day] * per / samples
        columns.append(
            _column(rng, style, names, float(day), values, blocks=blocks, plain=plain,
                    extra={"samples": exact(samples), "per": exact(per)})
        )  # fmt: skip
        if number:
            control = _control(values, counts[days[0]] * per / samples, rate)
            if control is not None:
                told = rate if plain or (rate != "blocks" and rng.random() < 0.5) else ""
                columns[-1] = replace(
                    columns[-1],
                    control={names[i]: style(control[i], 0 if rng.random() < 0.7 else 1)
                             for i in range(1, k)},
                    words={**columns[-1].words, **({"formula": told} if told else {})},
                )  # fmt: skip
    means = np.array([counts[day].mean(axis=1) * per / samples for day in days])
    first = 0 if plain else int(rng.integers(0, 2))
    area = np.trapezoid(means[first:], np.array(days[first:], float), axis=0)
    sums = {
        "pest-days": dict(zip(names, [style(float(v), 1) for v in area], strict=True)),
        "total": dict(zip(names, [style(float(v)) for v in means[1:].sum(axis=0)], strict=True)),
        "average": dict(zip(names, [style(float(v)) for v in means.mean(axis=0)], strict=True)),
    }
    return PrintedTable(name="Table", columns=tuple(columns), untreated=names[0], sums=sums)


def _control(after: np.ndarray, before: np.ndarray, way: str) -> np.ndarray | None:
    a, b = after.mean(axis=1), before.mean(axis=1)
    if not a[0] or (b == 0).any() or (way == "blocks" and (after[0] == 0).any()):
        return None
    if way == "abbott":
        return 100 * (1 - a / a[0])
    if way == "henderson-tilton":
        return 100 * (1 - a * b[0] / (b * a[0]))
    return (100 * (1 - after / after[0])).mean(axis=1)


def _column(rng, style, names, day, values, *, blocks, plain, extra) -> Column:  # type: ignore[no-untyped-def]
    k, n = values.shape
    transform = "none" if plain else str(rng.choice(["none", "none", "sqrt", "log"]))
    y = {"none": lambda v: v, "sqrt": lambda v: np.sqrt(v + 0.5), "log": lambda v: np.log10(v + 1)}[
        transform
    ](values.astype(float))
    means = y.mean(axis=1)
    residual = y - means[:, None] - ((y.mean(axis=0) - y.mean())[None] if blocks else 0.0)
    df = (n - 1) * (k - 1) if blocks else k * (n - 1)
    square = float((residual**2).sum() / df)
    shown = style  # of the statistics
    words = {"kind": "count"}
    if plain or transform != "none" or rng.random() < 0.6:
        words["transform"] = transform
    if plain or (transform != "none" and rng.random() < 0.3):
        words["transform"] = transform
    elif transform != "none":
        words.pop("transform")  # the author does not say it
    numbers = {"n": exact(n), "df": exact(df), **extra}
    if square <= 0:
        return Column(name=f"day {day:g}", day=day, means=_of(names, style, values), words=words,
                      numbers={"n": exact(n), **extra})  # fmt: skip
    sed = math.sqrt(2 * square / n)
    f = n * float(((means - means.mean()) ** 2).sum()) / (k - 1) / square
    p = float(special.fdtrc(k - 1, df, f))
    t = -float(special.stdtrit(df, 0.025))
    tukey = bool(rng.random() < 0.4)
    hsd = float(studentized_range_isf(0.05, k, df)) * sed / math.sqrt(2)
    gap = np.abs(means[:, None] - means[None])
    different = gap > (hsd if tukey else t * sed)
    if not tukey and p >= 0.05:
        different[:] = False
    p_text = "<0.001" if p < 0.001 else f"{p:.{3 if plain else int(rng.integers(2, 4))}f}"
    p_printed = read_printed(p_text)
    assert p_printed is not None
    every = {
        "lsd": shown(t * sed, 2), "hsd": shown(hsd, 2), "se of mean": shown(sed / math.sqrt(2), 2),
        "se of difference": shown(sed, 3), "mean square": shown(square, 2),
        "se": shown(sed if rng.random() < 0.5 else sed / math.sqrt(2), 2),
        "cv": shown(100 * math.sqrt(square) / float(y.mean()), 1), "f": shown(f, 2), "p": p_printed,
    }  # fmt: skip
    numbers |= {key: v for key, v in every.items() if plain or rng.random() < 0.5}
    if not plain and rng.random() < 0.3:
        numbers.pop("df")
    if plain or rng.random() < 0.7:
        words["procedure"] = "tukey" if tukey else "lsd"
    marks = letters(different, means)
    by_name = dict(zip(names, marks, strict=True))
    return Column(name=f"day {day:g}", day=day, means=_of(names, style, values),
                  letters=by_name, numbers=numbers, words=words)  # fmt: skip


def _of(names, style, values) -> dict[str, Printed]:  # type: ignore[no-untyped-def]
    return dict(zip(names, [style(float(v)) for v in values.mean(axis=1)], strict=True))


FAULTS = ("swapped treatments", "wrong n", "another LSD", "another formula", "dropped minus",
          "typed mean", "another P", "swapped letters", "typed pest-days")  # fmt: skip


def plant(rng: np.random.Generator, table: PrintedTable, fault: str) -> PrintedTable | None:
    """Plant a fault in one column; None where the table has no room for it."""
    columns = list(table.columns)
    place = int(rng.integers(1, len(columns)))
    column = columns[place]
    names = list(column.means)
    i, j = (names[int(x)] for x in rng.choice(np.arange(1, len(names)), 2, replace=False))
    numbers, means, control = dict(column.numbers), dict(column.means), dict(column.control)
    marks = dict(column.letters)
    sums = {kind: dict(values) for kind, values in table.sums.items()}
    if fault == "swapped treatments":
        means[i], means[j] = means[j], means[i]
        changed = means[i] != means[j]
    elif fault == "wrong n":
        numbers["n"] = exact(numbers["n"].value + 1)
        changed = True
    elif fault == "another LSD":
        other = columns[1 + place % (len(columns) - 1)].numbers.get("lsd")
        changed = other is not None and "lsd" in numbers and other != numbers["lsd"]
        numbers["lsd"] = other if other is not None else exact(1)
    elif fault == "another formula":
        start = columns[0].means
        if not control or any(start[name].value <= 0 for name in names):
            return None
        c, b = means[names[0]].value, start[names[0]].value
        control = {
            name: exact(round(100 * (1 - means[name].value * b / (start[name].value * c))))
            for name in control
        }
        changed = any(control[name].value != round(column.control[name].value) for name in control)
    elif fault == "dropped minus":
        minus = [name for name, printed in control.items() if printed.value < -1]
        if not minus:
            return None
        control[minus[0]] = exact(-control[minus[0]].value)
        changed = True
    elif fault == "typed mean":
        shift = 10 ** int(rng.integers(-1, 2)) * int(rng.integers(1, 9))
        found = read_printed(f"{means[i].value + shift:.{means[i].decimals}f}")
        assert found is not None
        means[i], changed = found, True
    elif fault == "another P":
        changed = "p" in numbers and "f" in numbers
        p = numbers.get("p")
        numbers["p"] = exact(0.02 if p is not None and abs(p.value - 0.02) > 0.01 else 0.3)
    elif fault == "swapped letters":
        changed = bool(marks) and marks[i] != marks[j]
        if changed:
            marks[i], marks[j] = marks[j], marks[i]
    else:
        found = sums["pest-days"][i]
        sums["pest-days"][i] = replace(found, value=found.value * 1.1 + 1)
        changed = True
    columns[place] = replace(column, numbers=numbers, means=means, control=control, letters=marks)
    return replace(table, columns=tuple(columns), sums=sums) if changed else None
