"""Drawings as pixels, for what takes no SVG: Word, and slides."""

from __future__ import annotations

import json
from collections.abc import Sequence

from trialkit.report.pdf import set_type

TEMPLATE = "pictures.typ"
#: Dots an inch: sharp in print.
DENSITY = 220


def png_of(drawings: Sequence[tuple[str, float]], density: float = DENSITY) -> list[bytes]:
    """Turn SVG drawings into PNG files.

    Parameters
    ----------
    drawings : sequence of (str, float)
        An ``<svg>`` element and its width in points.
    density : float
        Dots an inch.
    """
    if not drawings:
        return []
    data = json.dumps([{"svg": svg, "width": width} for svg, width in drawings])
    made = set_type(TEMPLATE, data, timestamp=0, format="png", ppi=density)
    return list(made) if isinstance(made, list) else [made]
