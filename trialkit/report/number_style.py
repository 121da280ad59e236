"""Give the numbers of a whole document the style that its reader asked for."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import fields, is_dataclass, replace
from enum import Enum
from typing import Any, TypeVar

from trialkit.figures.identity import plain_line
from trialkit.report.document import Command, Document, Table
from trialkit.report_choices import NumberStyle
from trialkit.trial import Trial

#: Fields that name things and are not read by people.
_NAMES = frozenset({"key", "kind", "variable", "colour", "sheet", "style", "ink", "where"})
_NUMBER = re.compile(r"\d[,%]")
_Thing = TypeVar("_Thing")


def restyled(document: Document, trial: Trial, style: NumberStyle) -> Document:
    """Write the numbers of a document in another style; names and texts of the user's stay.

    Parameters
    ----------
    document : Document
        Its numbers in the plain style.
    trial : Trial
        Whose names and own texts are left as they are.
    style : NumberStyle
    """
    if style is NumberStyle.PLAIN:
        return document
    return _walked(document, _writer(trial, style), style)


def restyled_drawings(
    drawings: Mapping[str, str], trial: Trial, style: NumberStyle
) -> dict[str, str]:
    """The same for the words of drawings, each an ``<svg>`` element."""
    if style is NumberStyle.PLAIN:
        return dict(drawings)
    write = _writer(trial, style)
    return {
        key: re.sub(r"(?<=>)[^<>]+(?=</text>|</tspan>)", lambda found: write(found[0]), svg)
        for key, svg in drawings.items()
    }


def _writer(trial: Trial, style: NumberStyle) -> Callable[[str], str]:
    kept = sorted(set(_own_words(trial)), key=len, reverse=True)
    pattern = re.compile(f"({'|'.join(map(re.escape, kept))})") if kept else None

    def write(text: str) -> str:
        if pattern is None:
            return style.styled(text)
        pieces = pattern.split(text)
        return "".join(
            piece if place % 2 else style.styled(piece) for place, piece in enumerate(pieces)
        )

    return write


def _own_words(trial: Trial) -> Iterable[str]:
    """Words of the user's own that a change of numbers would alter."""
    texts = [trial.title, trial.site or "", trial.season or "", trial.notes or ""]
    texts += [item.name or "" for item in trial.treatments] + [item.id for item in trial.treatments]
    texts += [plot.id for plot in trial.plots]
    texts += [variable.label for variable in trial.variables]
    texts += [part for text in trial.report.values() for part in text.split("\n\n")]
    return (line for line in map(plain_line, texts) if _NUMBER.search(line))


def _walked(thing: _Thing, write: Callable[[str], str], style: NumberStyle) -> _Thing:
    if isinstance(thing, Command | Enum):
        return thing
    if isinstance(thing, str):
        return write(thing)  # type: ignore[return-value]
    if isinstance(thing, tuple):
        return tuple(_walked(item, write, style) for item in thing)  # type: ignore[return-value]
    if not is_dataclass(thing) or isinstance(thing, type):
        return thing
    changed: dict[str, Any] = {
        item.name: _walked(getattr(thing, item.name), write, style)
        for item in fields(thing)
        if item.name not in _NAMES
    }
    if isinstance(thing, Table):
        changed["numbers"] = style
    return replace(thing, **changed)
