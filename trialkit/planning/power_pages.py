"""What trials of several sizes can show, for paper and the terminal."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from math import isfinite
from typing import Any

import pandas as pd

from trialkit.figures.identity import plain_line
from trialkit.plain_text import joined
from trialkit.planning.chances import Sought
from trialkit.planning.pages import Page, Part, heading_of, page_html
from trialkit.planning.power import BlocksNeeded
from trialkit.planning.power_tables import WANTED, fewest_blocks
from trialkit.trial import Trial

_COLOURS = ("#2f5a91", "#a31d14", "#199e70", "#9e33ce", "#a46700", "#0a92ff")
#: True control of which a line is drawn where there are more than colours.
_DRAWN = (30.0, 50.0, 60.0, 70.0, 80.0, 90.0)
_WIDE, _HIGH, _LEFT, _TOP, _RIGHT = 300, 240, 48, 40, 110


def power_lines(needed: BlocksNeeded) -> list[str]:
    """Say in sentences what was found."""
    lines = [_assumptions(needed)]
    several = len(set(needed.chances["samples"])) > 1
    for _, part in needed.smallest.groupby(["question", "samples"], sort=False):
        sought, samples = Sought(part["question"].iloc[0]), int(part["samples"].iloc[0])
        count = f" ({_samples(samples)})" if several else ""
        lines.append(_found(needed, sought, part, count))
        if sought is _first_asked(needed):
            lines.append(_fewest(needed, sought, samples, count))
    return lines


def _first_asked(needed: BlocksNeeded) -> Sought | None:
    """The question against the untreated that says how many blocks are needed."""
    asked = set(needed.chances["question"])
    both = (Sought.UNTREATED, Sought.WHOLE_UNTREATED)
    return next((sought for sought in both if sought in asked), None)


def _fewest(needed: BlocksNeeded, sought: Sought, samples: int, count: str) -> str:
    blocks = fewest_blocks(needed.chances, sought, samples, needed.assumed)
    what = f"{needed.assumed:g}% control{count}"
    if blocks is None:
        return f"None of the numbers of blocks examined detects {what}."
    return f"{blocks} blocks are the fewest of those examined that detect {what}."


def _samples(count: object) -> str:
    return f"{count} {'sample' if count == 1 else 'samples'} a plot"


def _assumptions(needed: BlocksNeeded) -> str:
    field = needed.field
    clumped = f"k {field.k:.3g}" if isfinite(field.k) else "no clumping (Poisson)"
    units = f", main plots or strips by {field.unit_cv:.0f}%" if field.unit_cv else ""
    counts = sorted(set(needed.chances["samples"]))
    samples = " or ".join(f"{int(count)}" for count in counts)
    days = ""
    if set(needed.chances["question"]) - {Sought.ANY, Sought.UNTREATED, Sought.OTHER}:
        days = f" Of the variance between plots, {field.steady:.0f}% stays with them over the days."
    return (
        f"{plain_line(needed.counted)}: simulated with {field.density:.3g} per sample in the "
        f"untreated and {clumped}. Plots differ by {field.plot_cv:.0f}%, blocks by "
        f"{field.block_cv:.0f}%{units}; {samples} "
        f"{'sample' if counts == [1] else 'samples'} a plot. The other treatments have "
        f"{needed.assumed:g}% control.{days} The treatment examined is {needed.treatment}"
        + (f", compared with {needed.against}." if needed.against != needed.treatment else ".")
    )


@dataclass(frozen=True, slots=True)
class _Told:
    """How a question is told: what is shown, the column of the size found, and its words."""

    what: str
    column: str
    first: str
    more: str
    nothing: str


_CONTROL = ("control_percent", "from {}% control", "{}%", "at no control examined")
_LESS = ("difference_points", "from {} points less", "{} points", "at no difference examined")
_TOLD: dict[Sought, _Told] = {
    Sought.UNTREATED: _Told(
        "At one assessment a difference from the untreated is detected", *_CONTROL
    ),
    Sought.OTHER: _Told(
        "At one assessment a difference from a treatment of {assumed:g}% control is detected",
        *_LESS,
    ),
    Sought.WHOLE_UNTREATED: _Told(
        "Over the whole trial a difference from the untreated is detected", *_CONTROL
    ),
    Sought.WHOLE_REFERENCE: _Told(
        "Over the whole trial a difference from a reference of {assumed:g}% control is detected",
        *_LESS,
    ),
    Sought.TARGET: _Told("Control above the target of {target:g}% is shown", *_CONTROL),
    Sought.RATE: _Told(
        "A lower rate is shown not to be worse than the full rate by {margin:g} points",
        "difference_points",
        "where it is up to {} points less",
        "{} points",
        "not even where both are alike",
    ),
    Sought.DAYS: _Told(
        "A treatment is shown to hold the target longer than one that holds it to day {held:g}",
        "days_longer",
        "from {} days longer",
        "{} days",
        "at no difference examined",
    ),
}


def _found(needed: BlocksNeeded, sought: Sought, part: pd.DataFrame, count: str) -> str:
    """One sentence of a question, with every number of blocks."""
    told = _TOLD[sought]
    what = told.what.format(
        assumed=needed.assumed, target=needed.target, margin=needed.margin, held=needed.held
    )
    sizes = zip(part["blocks"], part[told.column], strict=True)
    known = [(size, float(value)) for size, value in sizes]
    reached = [
        f"{(told.more if place else told.first).format(f'{value:.0f}')} with {size}"
        + ("" if place else " blocks")
        for place, (size, value) in enumerate(pair for pair in known if isfinite(pair[1]))
    ]
    missed = [str(size) for size, value in known if not isfinite(value)]
    texts = [", ".join(reached)] if reached else []
    if missed:
        sizes_missed = joined(missed, "or")
        texts.append(f"{told.nothing} with {sizes_missed}{'' if reached else ' blocks'}")
    return f"{what}{count}, with a chance of {100 * WANTED:.0f}%: {'; '.join(texts)}."


def power_page(trial: Trial, needed: BlocksNeeded) -> str:
    """Make the page: sentences, then for every question its figure over blocks and its table."""
    title, subtitle = heading_of(trial)
    table = needed.chances
    notes = (
        *power_lines(needed),
        f"A chance of {100 * WANTED:.0f}% is common practice, no source. Each chance comes from "
        f"{int(table['simulations'].iloc[0])} simulated trials, tested as in a report.",
    )
    parts = [Part(notes=(*notes, *_by_formula(needed)))]
    for question in dict.fromkeys(table["question"]):
        parts += _parts_of(table[table["question"] == question], str(question))
    return page_html(Page(title=f"Blocks needed: {title}", subtitle=subtitle, parts=tuple(parts)))


def _by_formula(needed: BlocksNeeded) -> Iterator[str]:
    """Say how far the noncentral F is from the simulation, where it holds."""
    table = needed.formula.dropna()
    if not table.empty:
        apart = 100 * float((table["simulated"] - table["noncentral_f"]).abs().max())
        yield (
            "The chance of any difference by the noncentral F, from the means and the error of "
            f"the simulated trials, is never more than {apart:.1f} points from the simulated one."
        )


def _parts_of(own: pd.DataFrame, question: str) -> Iterator[Part]:
    """Figure and tables of one question, a table for each number of samples."""
    truth, heading, _ = _truth_of(own)
    several = len(set(own["samples"])) > 1
    for place, (samples, part) in enumerate(own.groupby("samples")):
        wide = part.pivot_table(index=truth, columns="blocks", values="chance")
        count = f", {_samples(samples)}" if several else ""
        yield Part(
            title=f"Chance, percent: {question}{count}",
            figure="" if place else power_svg(own),
            headings=(heading, *(f"{size} blocks" for size in wide.columns)),
            rows=tuple(
                (f"{level:g}", *(f"{100 * value:.0f}" for value in row))
                for level, row in zip(wide.index, wide.to_numpy(), strict=True)
            ),
            numbers=frozenset(range(1 + len(wide.columns))),
            joined=True,
        )


def _truth_of(own: pd.DataFrame) -> tuple[str, str, Callable[[float], str]]:
    """Column of the truth of a question, its heading, and a value of it in words."""
    if own["question"].iloc[0] == Sought.DAYS:
        return "days_longer", "truly longer by, days", lambda days: f"{days:g} days longer"
    return "control_percent", "true control, %", lambda level: f"{level:g} % control"


def power_svg(own: pd.DataFrame) -> str:
    """Draw the chance to show something over blocks: a line a truth, a panel a number of samples.

    Parameters
    ----------
    own : DataFrame
        Rows of ``chances`` of one question.
    """
    counts = sorted(int(count) for count in set(own["samples"]))
    sizes = sorted({int(size) for size in own["blocks"]})
    width = _LEFT + (_WIDE + _RIGHT) * len(counts)
    height = _TOP + _HIGH + 50
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" width="{width}" '
        f'height="{height}" font-family="DejaVu Sans, Arial, sans-serif" role="img" '
        f'aria-label="Chance, over blocks: {own["question"].iloc[0]}">',
        f'<rect width="{width}" height="{height}" fill="white"/>',
        '<text x="8" y="14" font-size="13">chance, %</text>',
    ]
    for place, count in enumerate(counts):
        panel = own[own["samples"] == count]
        parts.append(f'<g transform="translate({place * (_WIDE + _RIGHT)} 0)">')
        if len(counts) > 1:
            parts.append(
                f'<text x="{_LEFT + _WIDE / 2:g}" y="30" font-size="13" font-weight="bold" '
                f'text-anchor="middle">{_samples(count)}</text>'
            )
        parts += [*_axes(sizes), *_lines(panel, sizes), "</g>"]
    return "\n".join([*parts, "</svg>"])


def _axes(sizes: list[int]) -> Iterator[str]:
    for chance in (0.0, 0.2, 0.4, 0.6, 0.8, 1.0):
        y = _y(chance)
        dash = "" if chance == WANTED else ' stroke-dasharray="2 4"'
        yield (
            f'<path d="M{_LEFT} {y:g}H{_LEFT + _WIDE}" stroke="#888" stroke-width="0.8"{dash}/>'
            f'<text x="{_LEFT - 8}" y="{y + 4:g}" font-size="12" text-anchor="end">'
            f"{100 * chance:.0f}</text>"
        )
    for size in sizes:
        yield (
            f'<text x="{_x(size, sizes):g}" y="{_TOP + _HIGH + 18}" font-size="12" '
            f'text-anchor="middle">{size}</text>'
        )
    yield (
        f'<text x="{_LEFT + _WIDE / 2:g}" y="{_TOP + _HIGH + 40}" font-size="13" '
        'text-anchor="middle">blocks</text>'
    )


def _lines(panel: pd.DataFrame, sizes: list[int]) -> list[str]:
    """One line a truth, labelled at its end; labels are kept apart."""
    truth, _, words = _truth_of(panel)
    levels: list[Any] = sorted(set(panel[truth]))
    if len(levels) > len(_COLOURS):
        levels = [level for level in levels if level in _DRAWN][: len(_COLOURS)]
    drawn, ends = [], []
    for colour, level in zip(_COLOURS, levels, strict=False):
        line = panel[panel[truth] == level].sort_values("blocks")
        spots = [
            (_x(int(size), sizes), _y(float(chance)))
            for size, chance in zip(line["blocks"], line["chance"], strict=True)
        ]
        path = "L".join(f"{x:.1f} {y:.1f}" for x, y in spots)
        drawn.append(f'<path d="M{path}" fill="none" stroke="{colour}" stroke-width="2"/>')
        drawn += [f'<circle cx="{x:.1f}" cy="{y:.1f}" r="3" fill="{colour}"/>' for x, y in spots]
        ends.append((spots[-1][1], float(level), colour))
    ends.sort()
    for y, (_, level, colour) in zip(_apart([end[0] for end in ends]), ends, strict=True):
        drawn.append(
            f'<text x="{_LEFT + _WIDE + 8}" y="{y + 4:.1f}" font-size="12" fill="{colour}">'
            f"{words(level)}</text>"
        )
    return drawn


def _apart(heights: list[float], gap: float = 15) -> list[float]:
    """Move ascending heights of labels apart, none below the foot of the panel."""
    placed: list[float] = []
    for y in heights:
        placed.append(max(y, placed[-1] + gap) if placed else y)
    lowest = float(_TOP + _HIGH)
    for place in range(len(placed) - 1, -1, -1):
        placed[place] = min(placed[place], lowest)
        lowest = placed[place] - gap
    return placed


def _x(size: int, sizes: list[int]) -> float:
    span = max(sizes) - min(sizes)
    return _LEFT + 20 + (_WIDE - 40) * ((size - min(sizes)) / span if span else 0.5)


def _y(chance: float) -> float:
    return _TOP + _HIGH * (1 - chance)
