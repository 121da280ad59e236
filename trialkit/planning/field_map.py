"""The map of a field: as a figure, and as a sheet of a workbook."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from textwrap import wrap
from xml.sax.saxutils import escape, quoteattr

from openpyxl.styles import Alignment, PatternFill
from openpyxl.worksheet.worksheet import Worksheet

from trialkit.figures.identity import Identity, identities, mix, plain_line, shorten
from trialkit.planning.blank_words import caution_line
from trialkit.planning.book import BOX, font, for_paper, put, widths
from trialkit.trial import Plot, Trial

_TINT = 0.72
_WIDE, _HIGH, _LEFT, _TOP = 96, 64, 54, 64


@dataclass(frozen=True, slots=True)
class MapPlot:
    """A plot on the map; row and column count from 1, without gaps."""

    plot: Plot
    row: int
    column: int


def placed(trial: Trial) -> list[MapPlot]:
    """Plots with a place of their own, in the order of the trial.

    Plots that share a place (those of one main plot) are laid side by side; a trial without places
    is laid out a block a row.
    """
    given = all(plot.row is not None and plot.column is not None for plot in trial.plots)
    if not given:
        return _by_block(trial)
    shared: dict[tuple[int, int], list[Plot]] = {}
    for plot in trial.plots:
        shared.setdefault((plot.row or 0, plot.column or 0), []).append(plot)
    most = max(len(plots) for plots in shared.values())
    rows = sorted({row for row, _ in shared})
    first = min(column for _, column in shared)
    return [
        MapPlot(plot, rows.index(plot.row or 0) + 1, ((plot.column or 0) - first) * most + i + 1)
        for plots in shared.values()
        for i, plot in enumerate(plots)
    ]


def _by_block(trial: Trial) -> list[MapPlot]:
    seen: dict[str | None, int] = {}
    found = []
    for plot in trial.plots:
        seen[plot.block] = seen.get(plot.block, 0) + 1
        found.append(MapPlot(plot, list(seen).index(plot.block) + 1, seen[plot.block]))
    return found


def map_svg(trial: Trial) -> str:
    """Draw the map.

    Parameters
    ----------
    trial : Trial
        With plots.

    Returns
    -------
    str
        SVG: row 1 at the top, the walk from plot to plot as a thin line.
    """
    plots = placed(trial)
    looks = identities(trial)
    rows, columns = max(item.row for item in plots), max(item.column for item in plots)
    legend = list(looks.values())
    width = _LEFT + columns * _WIDE + 16
    foot = _TOP + rows * _HIGH + 18 + 22 * (-(-len(legend) // _across(width))) + 10
    cautions = wrap(caution_line(), max(30, (width - _LEFT) // 6))
    height = foot + 14 * len(cautions) + 6
    title = plain_line(trial.title) + (f", {plain_line(trial.site)}" if trial.site else "")
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" '
        f'width="{width}" height="{height}" font-family="DejaVu Sans, Arial, sans-serif" '
        f'role="img" aria-label={quoteattr("Field map: " + title)}>',
        f'<rect width="{width}" height="{height}" fill="white"/>',
        f'<text x="{_LEFT}" y="24" font-size="17" font-weight="bold">'
        f"{escape(shorten(title, (width - _LEFT) // 10))}</text>",
        *(
            f'<text x="{_LEFT + (i + 0.5) * _WIDE:g}" y="{_TOP - 8}" font-size="12" '
            f'fill="#555" text-anchor="middle">{i + 1}</text>'
            for i in range(columns)
        ),
        *(
            f'<text x="{_LEFT - 10}" y="{_TOP + (i + 0.5) * _HIGH + 4:g}" font-size="12" '
            f'fill="#555" text-anchor="end">{i + 1}</text>'
            for i in range(rows)
        ),
        *(part for item in plots for part in _box(item, looks)),
        *_walk(plots),
        *_block_lines(plots),
        *_legend(legend, width, _TOP + rows * _HIGH + 26),
        *(
            f'<text x="{_LEFT}" y="{foot + 10 + 14 * i}" font-size="10">{escape(line)}</text>'
            for i, line in enumerate(cautions)
        ),
        "</svg>",
    ]
    return "\n".join(parts) + "\n"


def _box(item: MapPlot, looks: dict[str, Identity]) -> Iterator[str]:
    x, y = _LEFT + (item.column - 1) * _WIDE, _TOP + (item.row - 1) * _HIGH
    look = looks[item.plot.treatment]
    colour = mix(look.colour, "#ffffff", _TINT)
    yield (
        f'<rect x="{x}" y="{y}" width="{_WIDE}" height="{_HIGH}" fill="{colour}" '
        'stroke="#777" stroke-width="1"/>'
    )
    yield _text(x + _WIDE / 2, y + 24, 17, item.plot.id, bold=True)
    yield _text(x + _WIDE / 2, y + 44, 13, shorten(plain_line(item.plot.treatment), 12))


def _text(x: float, y: float, size: int, text: str, *, bold: bool = False) -> str:
    weight = ' font-weight="bold"' if bold else ""
    return (
        f'<text x="{x:g}" y="{y:g}" font-size="{size}"{weight} text-anchor="middle">'
        f"{escape(plain_line(text))}</text>"
    )


def _walk(plots: list[MapPlot]) -> Iterator[str]:
    middle = (max(item.column for item in plots) + 1) / 2
    spots: list[tuple[float, float]] = []
    for before, item in zip([None, *plots], plots, strict=False):
        here = (item.column - 0.5, item.row - 0.12)
        if before is not None and before.row != item.row:
            # Rows are changed at their ends, where the line crosses no number.
            turn = 0.44 if item.column > middle else -0.44
            spots += [(spots[-1][0] + turn, spots[-1][1]), (here[0] + turn, here[1])]
        spots.append(here)
    points = " ".join(f"{_LEFT + x * _WIDE:g},{_TOP + y * _HIGH:g}" for x, y in spots)
    yield (
        f'<polyline points="{points}" fill="none" stroke="#333" stroke-width="1.2" '
        'stroke-dasharray="5 4"/>'
    )
    if plots:
        x = _LEFT + (plots[0].column - 0.5) * _WIDE
        y = _TOP + (plots[0].row - 0.12) * _HIGH
        yield f'<circle cx="{x:g}" cy="{y:g}" r="3.5" fill="#333"/>'


def _block_lines(plots: list[MapPlot]) -> Iterator[str]:
    """Draw heavy lines between plots of different blocks."""
    at = {(item.row, item.column): item.plot.block for item in plots}
    for (row, column), block in at.items():
        x, y = _LEFT + (column - 1) * _WIDE, _TOP + (row - 1) * _HIGH
        if at.get((row + 1, column), block) != block:
            yield _line(x, y + _HIGH, x + _WIDE, y + _HIGH)
        if at.get((row, column + 1), block) != block:
            yield _line(x + _WIDE, y, x + _WIDE, y + _HIGH)


def _line(x1: float, y1: float, x2: float, y2: float) -> str:
    return f'<path d="M{x1:g} {y1:g}L{x2:g} {y2:g}" stroke="#000" stroke-width="3.2"/>'


def _across(width: int) -> int:
    return max(1, (width - _LEFT) // 230)


def _legend(looks: list[Identity], width: int, top: int) -> Iterator[str]:
    across = _across(width)
    for i, look in enumerate(looks):
        x, y = _LEFT + (i % across) * 230, top + (i // across) * 22
        tint = mix(look.colour, "#ffffff", _TINT)
        yield f'<rect x="{x}" y="{y - 12}" width="16" height="14" fill="{tint}" stroke="#777"/>'
        yield f'<text x="{x + 22}" y="{y}" font-size="12">{escape(shorten(look.label, 30))}</text>'


def put_map(sheet: Worksheet, trial: Trial) -> None:
    """Write the map into a sheet, for print."""
    plots, looks = placed(trial), identities(trial)
    put(sheet, 1, 1, plain_line(trial.title), font=font(16, bold=True))
    put(
        sheet,
        2,
        1,
        f"{plain_line(trial.site or '')}  Row 1 lies at the top; plots are walked in the order of "
        "their numbers.".strip(),
        font=font(11),
    )
    rows, columns = max(item.row for item in plots), max(item.column for item in plots)
    centre = Alignment(horizontal="center", vertical="center", wrap_text=True)
    for column in range(1, columns + 1):
        put(sheet, 4, column + 1, f"column {column}", alignment=centre, font=font(9))
    for row in range(1, rows + 1):
        put(sheet, row + 4, 1, f"row {row}", alignment=centre, font=font(9))
        sheet.row_dimensions[row + 4].height = 54
    for item in plots:
        look = looks[item.plot.treatment]
        tint = mix(look.colour, "#ffffff", _TINT).lstrip("#").upper()
        block = f"\nblock {plain_line(item.plot.block)}" if item.plot.block else ""
        put(
            sheet,
            item.row + 4,
            item.column + 1,
            f"{plain_line(item.plot.id)}\n{plain_line(item.plot.treatment)}{block}",
            fill=PatternFill("solid", fgColor=tint),
            border=BOX,
            alignment=centre,
            font=font(12),
        )
    below = rows + 6
    for i, look in enumerate(looks.values()):
        tint = mix(look.colour, "#ffffff", _TINT).lstrip("#").upper()
        put(sheet, below + i, 1, None, fill=PatternFill("solid", fgColor=tint), border=BOX)
        put(sheet, below + i, 2, look.label)
    widths(sheet, [8, *[14] * columns])
    for_paper(
        sheet,
        last_row=below + len(looks),
        last_column=columns + 1,
        title=plain_line(trial.title),
        wide=columns > rows,
        above=caution_line(),
    )
    sheet.page_setup.fitToHeight = 1
