"""What the desk writes alike: lines for a terminal, and one short page."""

from __future__ import annotations

import textwrap
from html import escape

WIDTH = 80
_STYLE = (
    "body{font:16px/1.5 'Segoe UI',Helvetica,Arial,sans-serif;max-width:46rem;"
    "margin:2rem auto;padding:0 1rem;color:#1d2529}h2{font-size:1.1rem;margin:1.4rem 0 .3rem}"
    ".wide{overflow-x:auto}table{border-collapse:collapse;font-size:.85rem}"
    "th,td{border-bottom:1px solid #ccd3d6;padding:.25rem .5rem;text-align:left;"
    "vertical-align:top}tbody th{font-weight:normal;min-width:16rem}"
)


def wrapped(text: str, first: str = "", then: str = "") -> list[str]:
    """Break a text into lines of a terminal; marks that do not print become spaces."""
    clean = "".join(mark if mark.isprintable() else " " for mark in text)
    return textwrap.wrap(clean, WIDTH, initial_indent=first, subsequent_indent=then) or [first]


def short_page(title: str, body: str) -> str:
    """Write one page that loads nothing from elsewhere; ``body`` is HTML already."""
    return (
        '<!DOCTYPE html><html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{escape(title)}</title><style>{_STYLE}</style></head>"
        f"<body><h1>{escape(title)}</h1>{body}</body></html>\n"
    )
