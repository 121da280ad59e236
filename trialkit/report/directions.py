"""Keep names that run from right to left apart from the English about them.

Without it the number behind a name in Hebrew or Arabic is taken into the name: "(3)" lands before
it, and the "2" of "2x" leaves its letter. Unicode's isolates say where such a name begins and ends
(Unicode Standard Annex 9, The Bidirectional Algorithm, section 6.3). They go into pages alone:
records, tables of data and workbooks keep the names as they were typed.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Iterable

from trialkit.figures.identity import plain_line
from trialkit.plain_text import alternatives

#: What opens and closes an isolate; the first letter inside says which way it runs.
OPENS, CLOSES = "\N{FIRST STRONG ISOLATE}", "\N{POP DIRECTIONAL ISOLATE}"
#: An isolate that holds no other; its text is the group.
ISOLATE = re.compile(f"{OPENS}([^{OPENS}{CLOSES}]*){CLOSES}")


def runs_left(text: str) -> bool:
    r"""Whether a text has letters that are written from right to left.

    Examples
    --------
    >>> runs_left("Vexor 100"), runs_left("\u05de\u05d9\u05dd 2x")
    (False, True)
    """
    return not text.isascii() and any(map(_turned, text))


def _turned(mark: str) -> bool:
    return unicodedata.bidirectional(mark) in {"R", "AL"}


def isolating(own: Iterable[str]) -> Callable[[str], str] | None:
    """Make what isolates names from right to left wherever they stand in a text.

    Parameters
    ----------
    own : iterable of str
        Names and texts of the user's own.

    Returns
    -------
    callable or None
        None where no name runs from right to left.
    """
    lines = {plain_line(part) for text in own for part in text.split("\n")}
    names = list(filter(runs_left, lines))
    if not names:
        return None
    pattern = re.compile(rf"(?<!\w)(?:{alternatives(names)})(?!\w)")

    def isolate(text: str) -> str:
        if not runs_left(text):
            return text
        pieces, end = [], 0
        for found in pattern.finditer(text):
            pieces += [_rest(text[end : found.start()]), _apart(found[0])]
            end = found.end()
        return "".join([*pieces, _rest(text[end:])])

    return isolate


def isolated_line(text: str) -> str:
    """Bring text to one plain line that keeps whole isolates, and no other mark of direction.

    Parameters
    ----------
    text : str
        With isolates of ours, or as somebody typed it.
    """
    bare = ISOLATE.sub(r"\1", text)
    return text if bare == plain_line(bare) else plain_line(text)


def _apart(text: str) -> str:
    return f"{OPENS}{text}{CLOSES}"


def _rest(text: str) -> str:
    """Isolate what is no whole name (cut, or a remark) from its first letter to its last."""
    turned = [place for place, mark in enumerate(text) if _turned(mark)]
    if not turned:
        return text
    start, end = turned[0], turned[-1] + 1
    return f"{text[:start]}{_apart(text[start:end])}{text[end:]}"
