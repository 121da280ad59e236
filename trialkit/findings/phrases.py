"""Sentences as templates with named slots, all in one file, so that a language is a file."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from functools import cache
from importlib.resources import files
from typing import Any

ENGLISH = "english"


@cache
def _phrases(language: str) -> Mapping[str, Mapping[str, Any]]:
    text = files("trialkit.findings").joinpath(f"{language}.toml").read_text(encoding="utf-8")
    found: Mapping[str, Mapping[str, Any]] = tomllib.loads(text)
    return found


def phrase(key: str, **slots: str | int) -> str:
    """Fill the slots of a phrase.

    Parameters
    ----------
    key : str
        ``section.name``, as in the file of the language.
    **slots : str
        What fills them; ``count``, a number, says of how many things it speaks, where the phrase
        has a singular and a plural.

    Raises
    ------
    KeyError
        When there is no such phrase or a slot has no filling.

    Examples
    --------
    >>> phrase("words.count_days", count=1, number="1")
    '1 day'
    """
    section, name = key.split(".")
    found = _phrases(ENGLISH)[section][name]
    if isinstance(found, Mapping):
        found = found["one" if slots["count"] == 1 else "other"]
    return str(found).format_map(slots)


def keys(language: str = ENGLISH) -> dict[str, tuple[str, ...]]:
    """Every phrase by its key, with its forms: one, or singular and plural."""
    return {
        f"{section}.{name}": tuple(text.values()) if isinstance(text, Mapping) else (text,)
        for section, own in _phrases(language).items()
        for name, text in own.items()
    }


def series(parts: Sequence[str]) -> str:
    """Join parts into one phrase: "a", "a and b", "a, b and c"; semicolons between long parts."""
    comma, last = phrase("words.comma"), phrase("words.and")
    if len(parts) <= 1:
        return "".join(parts)
    if any(comma.strip() in part for part in parts):
        comma = phrase("words.semicolon")
        if len(parts) > 2:
            last = comma.rstrip() + last
    return f"{comma.join(parts[:-1])}{last}{parts[-1]}"
