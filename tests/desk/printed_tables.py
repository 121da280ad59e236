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
from trialkit.inference.comparisons.stepwise import stepwise_p


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
    present = np.ones((k, n), dtype=bool)
    if not plain and rng.random() < 0.25:  # some plots were lost, and the table says so
        for place in rng.choice(k * n, int(rng.integers(1, 3)), replace=False):
            present.flat[place] = present[place // n].sum() <= 2 and present.flat[place]
    columns = []
    for number, day in enumerate(days):
        values = counts[day] * per / samples
        columns.append(
            _column(rng, style, names, float(day), values, present, blocks=blocks, plain=plain,
                    extra={"samples": exact(samples), "per": exact(per)})
        )  # fmt: skip
        if number:
            control = _control(values, counts[days[0]] * per / samples, present, rate)
            if control is not None:
                told = rate if plain or (rate != "blocks" and rng.random() < 0.5) else ""
                columns[-1] = replace(
                    columns[-1],
                    control={names[i]: style(control[i], 0 if rng.random() < 0.7 else 1)
                             for i in range(1, k)},
                    words={**columns[-1].words, **({"formula": told} if told else {})},
                )  # fmt: skip
    means = np.array([_mean(counts[day], present) * per / samples for day in days])
    first = 0 if plain else int(rng.integers(0, 2))
    area = np.trapezoid(means[first:], np.array(days[first:], float), axis=0)
    sums = {
        "pest-days": dict(zip(names, [style(float(v), 1) for v in area], strict=True)),
        "total": dict(zip(names, [style(float(v)) for v in means[1:].sum(axis=0)], strict=True)),
        "average": dict(zip(names, [style(float(v)) for v in means.mean(axis=0)], strict=True)),
    }
    return PrintedTable(name="Table", columns=tuple(columns), untreated=names[0], sums=sums)


def _mean(values: np.ndarray, present: np.ndarray) -> np.ndarray:
    return np.where(present, values, 0.0).sum(axis=1) / present.sum(axis=1)


def _control(
    after: np.ndarray, before: np.ndarray, present: np.ndarray, way: str
) -> np.ndarray | None:
    a, b = _mean(after, present), _mean(before, present)
    if not a[0] or (b == 0).any() or (way == "blocks" and (after[0] == 0).any()):
        return None
    if way == "abbott":
        return 100 * (1 - a / a[0])
    if way == "henderson-tilton":
        return 100 * (1 - a * b[0] / (b * a[0]))
    return _mean(100 * (1 - after / after[0]), present)


def _fit(y: np.ndarray, present: np.ndarray, *, blocks: bool) -> tuple[float, int]:
    """Mean square and degrees of freedom of error, plots missing or not."""
    k, n = y.shape
    treatment, block = (part[present] for part in np.indices((k, n)))
    matrix = np.eye(k)[treatment]
    if blocks:
        matrix = np.hstack([matrix, np.eye(n)[block][:, 1:]])
    found = np.linalg.lstsq(matrix, y[present], rcond=None)
    residual = y[present] - matrix @ found[0]
    df = int(present.sum()) - int(found[2])
    return (float(residual @ residual) / df if df else 0.0), df


def _column(  # type: ignore[no-untyped-def]
    rng, style, names, day, values, present, *, blocks, plain, extra
) -> Column:
    k, n = values.shape
    transform = "none" if plain else str(rng.choice(["none", "none", "sqrt", "log"]))
    y = {"none": lambda v: v, "sqrt": lambda v: np.sqrt(v + 0.5), "log": lambda v: np.log10(v + 1)}[
        transform
    ](values.astype(float))
    means, plots = _mean(y, present), present.sum(axis=1)
    square, df = _fit(y, present, blocks=blocks)
    words = {"kind": "count"}
    if plain or transform != "none" or rng.random() < 0.6:
        words["transform"] = transform
    if plain or (transform != "none" and rng.random() < 0.3):
        words["transform"] = transform
    elif transform != "none":
        words.pop("transform")  # the author does not say it
    own = {} if present.all() else {"plots": dict(zip(names, map(exact, plots), strict=True))}
    numbers = {**({"n": exact(n)} if present.all() else {}), "df": exact(df), **extra}
    shown = _of(names, style, _mean(values, present))
    if not plain and rng.random() < 0.3:
        deviation = np.array([values[i][present[i]].std(ddof=1) for i in range(k)])
        kind = "se" if rng.random() < 0.7 else "sd"
        own["spreads"] = _of(names, style, deviation / (np.sqrt(plots) if kind == "se" else 1.0))
        if rng.random() < 0.5:
            words["spread"] = kind
    if square <= 1e-12 or df < 1:
        numbers.pop("df")
        return Column(name=f"day {day:g}", day=day, means=shown, words=words, numbers=numbers,
                      **own)  # fmt: skip
    harmonic = k / float((1 / plots).sum())
    sed = math.sqrt(2 * square / harmonic)
    f = float((plots * (means - (plots * means).sum() / plots.sum()) ** 2).sum()) / (k - 1) / square
    p = float(special.fdtrc(k - 1, df, f))
    t = -float(special.stdtrit(df, 0.025))
    procedure = "tukey" if rng.random() < 0.4 else "lsd"
    if not plain and present.all() and rng.random() < 0.2:
        procedure = "snk"
    hsd = float(studentized_range_isf(0.05, k, df)) * sed / math.sqrt(2)
    pair = np.sqrt(square * (1 / plots[:, None] + 1 / plots[None]))
    gap = np.abs(means[:, None] - means[None])
    if procedure == "snk":
        different = _snk(means, square, n, df)
    else:
        different = gap > pair * (hsd / sed if procedure == "tukey" else t)
    if procedure == "lsd" and p >= 0.05:
        different[:] = False
    p_text = "<0.001" if p < 0.001 else f"{p:.{3 if plain else int(rng.integers(2, 4))}f}"
    p_printed = read_printed(p_text)
    assert p_printed is not None
    every = {
        "lsd": style(t * sed, 2), "hsd": style(hsd, 2), "se of mean": style(sed / math.sqrt(2), 2),
        "se of difference": style(sed, 3), "mean square": style(square, 2),
        "se": style(sed if rng.random() < 0.5 else sed / math.sqrt(2), 2),
        "cv": style(100 * math.sqrt(square) / float(y[present].mean()), 1), "f": style(f, 2),
        "p": p_printed,
    }  # fmt: skip
    if transform == "none":
        every["grand mean"] = style(float(y[present].mean()), 2)
    numbers |= {key: v for key, v in every.items() if plain or rng.random() < 0.5}
    if not plain and rng.random() < 0.3:
        numbers.pop("df")
    if plain or rng.random() < 0.7:
        words["procedure"] = procedure
    by_name = dict(zip(names, letters(different, means), strict=True))
    return Column(name=f"day {day:g}", day=day, means=shown, letters=by_name, numbers=numbers,
                  words=words, **own)  # fmt: skip


def _snk(means: np.ndarray, square: float, n: int, df: int) -> np.ndarray:
    """Pairs that Student-Newman-Keuls tells apart at 5 %."""
    k = means.size
    one, other = np.triu_indices(k, 1)
    p = stepwise_p(means[:, None], np.full((k, k), 2 / n), np.array([square]), float(df),
                   (one, other), duncan=False)  # fmt: skip
    different = np.zeros((k, k), dtype=bool)
    different[one, other] = different[other, one] = p[:, 0] <= 0.05
    return different


def _of(names, style, values) -> dict[str, Printed]:  # type: ignore[no-untyped-def]
    return dict(zip(names, [style(float(v)) for v in values], strict=True))


FAULTS = ("swapped treatments", "wrong n", "another LSD", "another formula", "dropped minus",
          "typed mean", "another P", "swapped letters", "typed pest-days",
          "typed standard error", "letters of another F")  # fmt: skip


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
        changed = "n" in numbers
        numbers["n"] = exact(numbers["n"].value + 1 if changed else 4)
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
    elif fault == "typed standard error":
        changed = bool(column.spreads)
        if changed:
            spreads = {**column.spreads, i: exact(round(10 * means[i].value + 1, 1))}
            columns[place] = replace(column, spreads=spreads)
            return replace(table, columns=tuple(columns))
    elif fault == "letters of another F":
        changed = bool(marks) and "f" in numbers and len(set(marks.values())) > 1
        marks = dict.fromkeys(marks, "a")
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
