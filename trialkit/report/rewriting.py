"""Write every text of a document again: once, for whatever changes how texts are written."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import fields, is_dataclass, replace
from enum import Enum
from typing import Any, TypeVar

from trialkit.report.document import Command, Document, Table

#: Fields that name things and are not read by people.
_NAMES = frozenset({"key", "kind", "variable", "colour", "sheet", "style", "ink", "where"})
#: What people read of a drawing.
_DRAWN = re.compile(r"(?<=>)[^<>]+(?=</text>|</tspan>)")
_Thing = TypeVar("_Thing")


def rewritten(
    document: Document,
    write: Callable[[str], str],
    tabled: Callable[[Table], Table] = lambda table: table,
) -> Document:
    """Write each text of a document that people read again.

    Parameters
    ----------
    document : Document
    write : callable
        Gives the new text for an old one.
    tabled : callable
        What else is done to each table.
    """
    return _walked(document, write, tabled)


def rewritten_drawings(drawings: Mapping[str, str], write: Callable[[str], str]) -> dict[str, str]:
    """Do the same with the words of drawings, each an ``<svg>`` element."""
    return {key: _DRAWN.sub(lambda found: write(found[0]), svg) for key, svg in drawings.items()}


def _walked(thing: _Thing, write: Callable[[str], str], tabled: Callable[[Table], Table]) -> _Thing:
    if isinstance(thing, Command | Enum):
        return thing
    if isinstance(thing, str):
        return write(thing)  # type: ignore[return-value]
    if isinstance(thing, tuple):
        return tuple(_walked(item, write, tabled) for item in thing)  # type: ignore[return-value]
    if not is_dataclass(thing) or isinstance(thing, type):
        return thing
    changed: dict[str, Any] = {
        item.name: _walked(getattr(thing, item.name), write, tabled)
        for item in fields(thing)
        if item.name not in _NAMES
    }
    made = replace(thing, **changed)
    return tabled(made) if isinstance(made, Table) else made  # type: ignore[return-value]
