"""A drawn figure as a piece of SVG for a page."""

from __future__ import annotations

import io
import re
import sys
import warnings
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from plotnine import ggplot

#: Fonts that the reader's machine tries in turn; figures are laid out with a wide one.
FONTS = "DejaVu Sans, Verdana, Segoe UI, Helvetica, Arial, sans-serif"
_SETTINGS: Any = {
    "svg.fonttype": "none",
    "svg.hashsalt": "trialkit",
    "text.parse_math": False,
}
_TAG = re.compile(r"<[^>]*>")
_FAMILY = re.compile(r"font-family: [^;\"]*;? ?")
_SHORTHAND = re.compile(r"font: (?:(\w+) )?([\d.]+px) [^;\"]*")
_ID = re.compile(r'(?<=\sid=")(?=[^"])')
_REFERENCE = re.compile(r'(?<=url\(#)|(?<=href="#)')


def draw_svg(plot: ggplot, prefix: str = "") -> str:
    """Draw a figure once and return it as an ``<svg>`` element.

    The same figure gives the same text: no date, no chance in its ids. Text stays text, is
    escaped, and is never read as a formula.

    Parameters
    ----------
    plot : ggplot
    prefix : str
        Put before every id of the drawing, so that several drawings share a page.

    Returns
    -------
    str
        From ``<svg`` to ``</svg>``, sized by its view box alone.
    """
    import matplotlib as mpl

    if "matplotlib.pyplot" not in sys.modules:
        # nobody is drawing on a screen, so none is asked for; a notebook keeps its own backend
        mpl.use("agg")
    from matplotlib import pyplot as plt
    from matplotlib.backends.backend_svg import FigureCanvasSVG

    with mpl.rc_context(_SETTINGS), warnings.catch_warnings():
        # signs that the layout font lacks (emoji) are drawn by the reader's own fonts
        warnings.filterwarnings("ignore", message="Glyph .* missing from font")
        figure = plot.draw()
        try:
            _share_marks(figure)
            stream = io.StringIO()
            canvas: Any = FigureCanvasSVG(figure)
            canvas.print_svg(stream, metadata={"Date": None, "Creator": None})
        finally:
            plt.close(figure)
    return tidy(stream.getvalue(), prefix)


def _share_marks(figure: Any) -> None:
    """Let points of one size share one outline: written once, however many there are."""
    for axes in figure.axes:
        for points in axes.collections:
            sizes = points.get_sizes() if hasattr(points, "get_sizes") else ()
            if len(sizes) > 1 and len(set(sizes)) == 1:
                points.set_sizes(sizes[:1])


def _tidy_tag(tag: str, prefix: str) -> str:
    if "font" in tag:
        tag = _SHORTHAND.sub(_size_and_weight, _FAMILY.sub("", tag))
    if prefix and "#" in tag:
        tag = _REFERENCE.sub(f"{prefix}-", tag)
    return _ID.sub(f"{prefix}-", tag) if prefix and " id=" in tag else tag


def _size_and_weight(match: re.Match[str]) -> str:
    weight = f"; font-weight: {match.group(1)}" if match.group(1) else ""
    return f"font-size: {match.group(2)}{weight}"


def tidy(svg: str, prefix: str = "") -> str:
    """Bring a whole SVG file to an element that can stand in a page.

    Only tags are touched, never the text between them.
    """
    text = svg[svg.index("<svg") :].rstrip()
    text = re.sub(r"\s*<metadata>.*?</metadata>", "", text, count=1, flags=re.DOTALL)
    text = re.sub(r"\s*<style[^>]*>.*?</style>", "", text, count=1, flags=re.DOTALL)
    head, body = text.split(">", 1)
    box = re.search(r'viewBox="[^"]*"', head)
    opening = (
        f'<svg {box.group(0) if box else ""} xmlns="http://www.w3.org/2000/svg" '
        f'xmlns:xlink="http://www.w3.org/1999/xlink" font-family="{FONTS}" '
        'style="stroke-linejoin: round; stroke-linecap: butt">'
    )
    return opening + _TAG.sub(lambda match: _tidy_tag(match.group(0), prefix), body)
