"""What trials of several sizes can show, for paper and the terminal."""

from __future__ import annotations

from math import isfinite

import pandas as pd

from trialkit.planning.pages import Page, Part, heading_of, page_html
from trialkit.planning.power import WANTED, BlocksNeeded
from trialkit.trial import Trial

_UNTREATED = "against the untreated"
_COLOURS = ("#2f5a91", "#a31d14", "#199e70", "#9e33ce", "#a46700", "#0a92ff")
_SHOWN = (30.0, 50.0, 60.0, 70.0, 80.0, 90.0)
_WIDE, _HIGH, _LEFT, _TOP = 480, 260, 60, 24


def power_lines(needed: BlocksNeeded) -> list[str]:
    """Say in sentences what was found."""
    field = needed.field
    clumped = f"k {field.k:.3g}" if isfinite(field.k) else "no clumping (Poisson)"
    lines = [
        f"Simulated with {field.density:.3g} per sample in the untreated, {clumped}, plots "
        f"differing by {field.plot_cv:.0f} %, blocks by {field.block_cv:.0f} %, {field.samples} "
        f"{'sample' if field.samples == 1 else 'samples'} a plot; the other treatments with "
        f"{needed.assumed:g} % control."
    ]
    for row in needed.smallest.itertuples(index=False):
        found = float(str(row.control_percent))
        if row.question == _UNTREATED:
            text = f"a treatment is told from the untreated from {found:.0f} % control on"
            none = "no control up to 95 % is told from the untreated"
        else:
            apart = float(str(row.difference_points))
            text = (
                f"a treatment is told from one of {needed.assumed:g} % from {apart:.0f} points on"
            )
            none = f"no difference from a treatment of {needed.assumed:g} % is told"
        lines.append(
            f"{row.blocks} blocks: {text if isfinite(found) else none}, with a chance of "
            f"{100 * WANTED:.0f} %."
        )
    if needed.blocks is None:
        lines.append(f"No size looked at tells {needed.assumed:g} % control from the untreated so.")
    else:
        lines.append(
            f"{needed.blocks} blocks are the fewest that tell {needed.assumed:g} % control from "
            "the untreated so."
        )
    return lines


def power_page(trial: Trial, needed: BlocksNeeded) -> str:
    """Make the page: sentences, the figure over blocks, and the table of chances."""
    title, subtitle = heading_of(trial)
    table = needed.chances
    parts = [
        Part(
            figure=power_svg(needed),
            notes=(
                *power_lines(needed),
                f"A chance of {100 * WANTED:.0f} % is common practice, without a source. Each "
                f"chance is from {int(table['simulations'].iloc[0])} simulated trials of one "
                "assessment, tested as a report tests them.",
            ),
        )
    ]
    for question in dict.fromkeys(table["question"]):
        own = table[table["question"] == question]
        wide = own.pivot_table(index="control_percent", columns="blocks", values="chance")
        parts.append(
            Part(
                title=f"Chance to show a difference, percent: {question}",
                headings=("true control, %", *(f"{size} blocks" for size in wide.columns)),
                rows=tuple(
                    (f"{level:g}", *(f"{100 * value:.0f}" for value in row))
                    for level, row in zip(wide.index, wide.to_numpy(), strict=True)
                ),
                numbers=frozenset(range(1 + len(wide.columns))),
                joined=True,
            )
        )
    return page_html(Page(title=f"Blocks needed: {title}", subtitle=subtitle, parts=tuple(parts)))


def power_svg(needed: BlocksNeeded) -> str:
    """Draw the chance to tell a treatment from the untreated over blocks, a line a control."""
    own = needed.chances[needed.chances["question"] == _UNTREATED]
    sizes = sorted({int(size) for size in own["blocks"]})
    width, height = _LEFT + _WIDE + 130, _TOP + _HIGH + 50
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" width="{width}" '
        f'height="{height}" font-family="DejaVu Sans, Arial, sans-serif" role="img" '
        'aria-label="Chance to show control against the untreated, over blocks">',
        f'<rect width="{width}" height="{height}" fill="white"/>',
    ]
    for chance in (0.0, 0.2, 0.4, 0.6, 0.8, 1.0):
        y = _y(chance)
        dash = "" if chance == WANTED else ' stroke-dasharray="2 4"'
        parts.append(
            f'<path d="M{_LEFT} {y:g}H{_LEFT + _WIDE}" stroke="#888" stroke-width="0.8"{dash}/>'
            f'<text x="{_LEFT - 8}" y="{y + 4:g}" font-size="12" text-anchor="end">'
            f"{100 * chance:.0f}</text>"
        )
    parts += [
        f'<text x="{_x(size, sizes):g}" y="{_TOP + _HIGH + 18}" font-size="12" '
        f'text-anchor="middle">{size}</text>'
        for size in sizes
    ]
    parts.append(
        f'<text x="{_LEFT + _WIDE / 2:g}" y="{_TOP + _HIGH + 40}" font-size="13" '
        'text-anchor="middle">blocks</text>'
        f'<text x="8" y="14" font-size="13">chance, %</text>'
    )
    parts += _lines(own, sizes)
    return "\n".join([*parts, "</svg>"])


def _lines(own: pd.DataFrame, sizes: list[int]) -> list[str]:
    """One line a control, labelled at its end; labels are kept apart."""
    drawn, ends = [], []
    for colour, level in zip(_COLOURS, _SHOWN, strict=True):
        line = own[own["control_percent"] == level].sort_values("blocks")
        spots = [
            (_x(int(size), sizes), _y(float(chance)))
            for size, chance in zip(line["blocks"], line["chance"], strict=True)
        ]
        path = "L".join(f"{x:.1f} {y:.1f}" for x, y in spots)
        drawn.append(f'<path d="M{path}" fill="none" stroke="{colour}" stroke-width="2"/>')
        drawn += [f'<circle cx="{x:.1f}" cy="{y:.1f}" r="3" fill="{colour}"/>' for x, y in spots]
        ends.append((spots[-1][1], level, colour))
    last = -100.0
    for y, level, colour in sorted(ends):
        last = max(y, last + 15)
        drawn.append(
            f'<text x="{_LEFT + _WIDE + 8}" y="{last + 4:.1f}" font-size="12" fill="{colour}">'
            f"{level:g} % control</text>"
        )
    return drawn


def _x(size: int, sizes: list[int]) -> float:
    span = max(sizes) - min(sizes)
    return _LEFT + 20 + (_WIDE - 40) * ((size - min(sizes)) / span if span else 0.5)


def _y(chance: float) -> float:
    return _TOP + _HIGH * (1 - chance)
