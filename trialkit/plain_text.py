"""Plain text: parts joined into a phrase, lines for a terminal, one short page."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterable, Sequence
from html import escape

#: Characters of a line on a terminal.
WIDTH = 80
#: Spaces inside a number or before its unit, at which no line may end.
NO_BREAK = "\N{NO-BREAK SPACE}\N{NARROW NO-BREAK SPACE}"
_INK = "#1d2529"
_FONT = "'Segoe UI',Helvetica,Arial,sans-serif"
_STYLE = (
    f"body{{font:16px/1.5 {_FONT};max-width:46rem;margin:2rem auto;padding:0 1rem;color:{_INK}}}"
    "h2{font-size:1.1rem;margin:1.4rem 0 .3rem}"
    ".wide{overflow-x:auto}table{border-collapse:collapse;font-size:.85rem}"
    "th,td{border-bottom:1px solid #ccd3d6;padding:.25rem .5rem;text-align:left;"
    "vertical-align:top}tbody th{font-weight:normal;min-width:16rem}"
)


def joined(parts: Sequence[str], word: str = "and") -> str:
    """Join parts into one phrase: "a", "a and b", "a, b and c"."""
    return f" {word} ".join([", ".join(parts[:-1]), parts[-1]] if len(parts) > 1 else parts)


def alternatives(words: Iterable[str]) -> str:
    """Write a pattern of any of some words, the longest first, so that none hides a longer one."""
    return "|".join(map(re.escape, sorted(words, key=len, reverse=True)))


def capital(text: str) -> str:
    """Begin a text with a capital letter."""
    return text[:1].upper() + text[1:]


def printable(text: str) -> str:
    """Turn marks that do not print into spaces: a cell must not steer the terminal."""
    return "".join(mark if mark.isprintable() or mark in NO_BREAK else " " for mark in text)


def wrapped(text: str, first: str = "", then: str = "") -> list[str]:
    """Break a text into lines of a terminal."""
    return textwrap.wrap(printable(text), WIDTH, initial_indent=first, subsequent_indent=then) or [
        first
    ]


def short_page(title: str, body: str, *, style: str = "") -> str:
    """Write one page that loads nothing from elsewhere.

    Parameters
    ----------
    title : str
    body : str
        HTML already.
    style : str
        Rules of style beside those of all such pages.
    """
    return (
        '<!DOCTYPE html><html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{escape(title)}</title><style>{_STYLE}{style}</style></head>"
        f"<body><h1>{escape(title)}</h1>{body}</body></html>\n"
    )
