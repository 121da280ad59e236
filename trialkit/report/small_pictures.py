"""Small pictures of the first page: a course over days, trials as dots, a mean with its interval.

Drawn by hand as SVG: a drawing library would take longer for one than for the whole page.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from xml.sax.saxutils import quoteattr

from trialkit.figures.scales import place_of
from trialkit.report.glance_block import SmallCourse, SmallDots, SmallSpan

WIDTH, HEIGHT, MARGIN = 118.0, 34.0, 4.0
SPAN_WIDTH, SPAN_HEIGHT = 70.0, 12.0
LINE, BAND, INK, SOFT, FAINT = "#1f6f9f", "#cfe2ee", "#1d2529", "#6b767d", "#d9dee1"
_RADIUS = 2.1


def course_svg(course: SmallCourse | SmallDots) -> str:
    """Draw a course: band of its intervals, line, target, and full points where it is reached.

    Of a series the trials are dots on a line; below it stand the mean of all with its interval
    (thick) and the span in which the next site is expected (thin).

    Parameters
    ----------
    course : SmallCourse or SmallDots

    Returns
    -------
    str
        An ``<svg>`` element; values beyond the frame are arrows at its edge.
    """
    return _dots(course) if isinstance(course, SmallDots) else _course(course)


def _dots(dots: SmallDots) -> str:
    frame = (dots.low, dots.high)
    parts = []
    if dots.low <= 0.0 <= dots.high:
        parts.append(_upright(_across(0.0, frame), FAINT))
    if dots.target is not None:
        parts.append(_upright(_across(dots.target, frame), SOFT, dashed=True))
    parts.append(_flat((dots.low, dots.high), _TRIALS_AT, frame, FAINT, 0.7))
    for value in dots.values:
        parts.append(_trial(value, frame))
    spans = (
        ((dots.predicted_lower, dots.predicted_upper), SOFT, 1.0),
        ((dots.lower, dots.upper), LINE, 3.4),
    )
    for ends, colour, width in spans:
        if all(map(math.isfinite, ends)):
            parts.append(_flat(ends, _POOLED_AT, frame, colour, width))
    if math.isfinite(dots.pooled):
        x = _across(dots.pooled, frame)
        corners = " ".join(
            f"{x + dx:.1f},{_POOLED_AT + dy:.1f}"
            for dx, dy in ((-4, 0), (0, -4.6), (4, 0), (0, 4.6))
        )
        parts.append(f'<polygon points="{corners}" fill="{INK}"/>')
    return _svg(WIDTH, HEIGHT, dots.alt, parts)


#: Heights of the two lines of a picture of trials.
_TRIALS_AT, _POOLED_AT = 10.0, 24.0


def _across(value: float, frame: tuple[float, float]) -> float:
    """Place across the picture, on the scale of what is left."""
    low, high = (place_of(end) for end in frame)
    share = (min(max(place_of(value), low), high) - low) / max(high - low, 1e-12)
    return MARGIN + share * (WIDTH - 2 * MARGIN)


def _upright(x: float, colour: str, *, dashed: bool = False) -> str:
    dashes = ' stroke-dasharray="2 2"' if dashed else ""
    return (
        f'<line x1="{x:.1f}" x2="{x:.1f}" y1="1" y2="{HEIGHT - 1:g}" stroke="{colour}" '
        f'stroke-width="0.7"{dashes}/>'
    )


def _flat(
    ends: tuple[float, float], y: float, frame: tuple[float, float], colour: str, width: float
) -> str:
    left, right = (_across(end, frame) for end in ends)
    return (
        f'<line x1="{left:.1f}" x2="{right:.1f}" y1="{y:g}" y2="{y:g}" stroke="{colour}" '
        f'stroke-width="{width:g}"/>'
    )


def _trial(value: float, frame: tuple[float, float]) -> str:
    x, edge = _across(value, frame), f'fill="#fff" stroke="{LINE}" stroke-width="1.1"'
    if frame[0] <= value <= frame[1]:
        return f'<circle cx="{x:.1f}" cy="{_TRIALS_AT:g}" r="2.3" {edge}/>'
    tip = 3.6 if value > frame[1] else -3.6
    corners = (
        f"{x:.1f},{_TRIALS_AT - 2.4:.1f} {x:.1f},{_TRIALS_AT + 2.4:.1f} "
        f"{x + tip:.1f},{_TRIALS_AT:.1f}"
    )
    return f'<polygon points="{corners}" {edge}/>'


def _course(course: SmallCourse) -> str:
    days, frame = course.days, (course.low, course.high)
    first, span = days[0], max(days[-1] - days[0], 1e-9)
    across = [
        WIDTH / 2 if len(days) == 1 else MARGIN + (day - first) / span * (WIDTH - 2 * MARGIN)
        for day in days
    ]
    parts = []
    if course.target is not None:
        parts.append(_level(_height(course.target, frame), SOFT, dashed=True))
    if course.low <= 0.0 <= course.high:
        parts.append(_level(_height(0.0, frame), FAINT))
    places = list(zip(across, course.lower, course.upper, strict=True))
    for run in _runs([math.isfinite(low) and math.isfinite(up) for _, low, up in places]):
        parts.append(_band([places[index] for index in run], frame))
    for run in _runs([math.isfinite(value) for value in course.values]):
        if len(run) > 1:
            points = " ".join(
                f"{across[i]:.1f},{_height(course.values[i], frame):.1f}" for i in run
            )
            parts.append(
                f'<polyline points="{points}" fill="none" stroke="{LINE}" stroke-width="1.3"/>'
            )
    for x, value, full in zip(across, course.values, course.reached, strict=True):
        if math.isfinite(value):
            parts.append(_point(x, value, frame, full=full))
    return _svg(WIDTH, HEIGHT, course.alt, parts)


def span_svg(span: SmallSpan) -> str:
    """Draw a mean with its interval, and a thin line where the untreated stands."""
    extent = max(span.high - span.low, 1e-12)

    def place(value: float) -> float:
        share = (min(max(value, span.low), span.high) - span.low) / extent
        return MARGIN + share * (SPAN_WIDTH - 2 * MARGIN)

    middle = SPAN_HEIGHT / 2
    parts = []
    if span.base is not None:
        x = place(span.base)
        parts.append(
            f'<line x1="{x:.1f}" x2="{x:.1f}" y1="0" y2="{SPAN_HEIGHT:g}" stroke="{SOFT}" '
            'stroke-width="0.8"/>'
        )
    if math.isfinite(span.lower) and math.isfinite(span.upper):
        parts.append(
            f'<line x1="{place(span.lower):.1f}" x2="{place(span.upper):.1f}" y1="{middle:g}" '
            f'y2="{middle:g}" stroke="{INK}" stroke-width="1.1"/>'
        )
    parts.append(f'<circle cx="{place(span.value):.1f}" cy="{middle:g}" r="2.6" fill="{INK}"/>')
    return _svg(SPAN_WIDTH, SPAN_HEIGHT, span.alt, parts)


def _svg(width: float, height: float, alt: str, parts: Sequence[str]) -> str:
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width:g}" height="{height:g}" '
        f'viewBox="0 0 {width:g} {height:g}" role="img" aria-label={quoteattr(alt)}>'
        + "".join(parts)
        + "</svg>"
    )


def _height(value: float, frame: tuple[float, float]) -> float:
    low, high = frame
    kept = min(max(value, low), high)
    return MARGIN + (high - kept) / max(high - low, 1e-12) * (HEIGHT - 2 * MARGIN)


def _level(y: float, colour: str, *, dashed: bool = False) -> str:
    dashes = ' stroke-dasharray="2 2"' if dashed else ""
    return (
        f'<line x1="0" x2="{WIDTH:g}" y1="{y:.1f}" y2="{y:.1f}" stroke="{colour}" '
        f'stroke-width="0.7"{dashes}/>'
    )


def _runs(known: Sequence[bool]) -> list[list[int]]:
    """Stretches of places that follow each other."""
    runs: list[list[int]] = []
    for index, here in enumerate(known):
        if here and index and known[index - 1]:
            runs[-1].append(index)
        elif here:
            runs.append([index])
    return runs


def _band(places: Sequence[tuple[float, float, float]], frame: tuple[float, float]) -> str:
    if len(places) == 1:
        x, low, up = places[0]
        return (
            f'<line x1="{x:.1f}" x2="{x:.1f}" y1="{_height(low, frame):.1f}" '
            f'y2="{_height(up, frame):.1f}" stroke="{BAND}" stroke-width="5"/>'
        )
    above = [f"{x:.1f},{_height(up, frame):.1f}" for x, _, up in places]
    below = [f"{x:.1f},{_height(low, frame):.1f}" for x, low, _ in reversed(places)]
    return f'<polygon points="{" ".join(above + below)}" fill="{BAND}"/>'


def _point(x: float, value: float, frame: tuple[float, float], *, full: bool) -> str:
    fill = LINE if full else "#fff"
    edge = f'fill="{fill}" stroke="{LINE}" stroke-width="1.1"'
    if frame[0] <= value <= frame[1]:
        return f'<circle cx="{x:.1f}" cy="{_height(value, frame):.1f}" r="{_RADIUS}" {edge}/>'
    y, tip = _height(value, frame), -3.4 if value > frame[1] else 3.4
    corners = f"{x - 2.4:.1f},{y:.1f} {x + 2.4:.1f},{y:.1f} {x:.1f},{y + tip:.1f}"
    return f'<polygon points="{corners}" {edge}/>'
