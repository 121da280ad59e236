"""What each setting of an analysis may be: the same rules for files, records and Python."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from math import isfinite
from numbers import Real
from typing import Any, Protocol, TypeVar, cast

from trialkit.planned import read_planned
from trialkit.problems import choice, quoted

_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)(e[+-]?\d+)?", re.ASCII | re.IGNORECASE)
T = TypeVar("T")
#: How a planned contrast is written.
HOW_CONTRAST = (
    "Write name = treatments against treatments, such as 'sprays or drench = 2, 3 against 4'."
)


class UnfitError(ValueError):
    """A value that a setting cannot have: what was found, what to do, and the sort of problem."""

    def __init__(self, what: str, remedy: str, kind: str = "settings-value") -> None:
        super().__init__(what)
        self.what, self.remedy, self.kind = what, remedy, kind


class Rule(Protocol):
    """What a setting may be."""

    @property
    def words(self) -> str:
        """The values that it may have, in words."""
        ...

    def take(self, name: str, value: object) -> object:
        """Bring a value to what the setting holds, or raise `UnfitError`."""
        ...


def shown(value: object) -> str:
    """Write a value as a person would."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        return str(int(value))
    if isinstance(value, list | tuple):
        return "; ".join(shown(item) for item in value)
    return str(value).strip()


def _plain(text: str) -> str:
    return "".join(mark for mark in text.casefold() if mark.isalnum() or mark == "/")


def no_choice(name: str, value: object, allowed: Sequence[str]) -> UnfitError:
    """What is said of a value that is none of those allowed."""
    return UnfitError(
        f"{quoted(shown(value))} is no {name}.", choice(shown(value), allowed, "Allowed are")
    )


@dataclass(frozen=True, slots=True)
class OneOf:
    """One of some words; case, spaces and hyphens do not count."""

    allowed: Sequence[str]
    make: Callable[[str], str] = str

    @property
    def words(self) -> str:
        """The words."""
        return ", ".join(self.allowed)

    def take(self, name: str, value: object) -> str:
        """Find the word."""
        if isinstance(value, str):
            for word in self.allowed:
                if _plain(word) == _plain(value):
                    return self.make(word)
        raise no_choice(name, value, self.allowed)


def one_of(choices: type[StrEnum]) -> OneOf:
    """One member of an enumeration, or its text."""
    return OneOf(tuple(item.value for item in choices), choices)


@dataclass(frozen=True, slots=True)
class Number:
    """A number within bounds; ``whole`` where it counts something, ``empty`` where it may lack."""

    fits: Callable[[float], bool]
    bounds: str
    whole: bool = False
    empty: bool = False

    @property
    def words(self) -> str:
        """The bounds."""
        return f"a number {self.bounds}" + (", or nothing" if self.empty else "")

    def take(self, name: str, value: object) -> float | int | None:
        """Check a number, or a text that holds one."""
        if value is None and self.empty:
            return None
        number = self._read(value)
        if number is None or not self.fits(number) or (self.whole and not number.is_integer()):
            raise UnfitError(
                f"{quoted(shown(value))} does not fit {name}.",
                f"It must be a number {self.bounds}.",
            )
        return int(number) if self.whole else number

    @staticmethod
    def _read(value: object) -> float | None:
        if isinstance(value, str):
            return float(value) if _NUMBER.fullmatch(value.strip()) else None
        if isinstance(value, bool) or not isinstance(value, Real):
            return None
        return float(value) if isfinite(value) else None


@dataclass(frozen=True, slots=True)
class YesNo:
    """True or false, or a word for it."""

    words: str = "true or false"

    def take(self, name: str, value: object) -> bool:
        """Read the word."""
        word = shown(value).casefold()
        if word in {"true", "yes", "1"}:
            return True
        if word in {"false", "no", "0"}:
            return False
        raise no_choice(name, value, ("true", "false"))


@dataclass(frozen=True, slots=True)
class Text:
    """Text, or nothing."""

    words: str = "text, or nothing"

    def take(self, name: str, value: object) -> str | None:
        """Check that it is text."""
        if value is None:
            return None
        if not isinstance(value, str):
            raise UnfitError(f"{quoted(shown(value))} does not fit {name}.", "It must be text.")
        return value.strip() or None


def _parts(name: str, value: object, marks: str) -> Iterable[str]:
    """Take a list apart, or a text at the first of some marks that it has."""
    if isinstance(value, str):
        mark = next((mark for mark in marks if mark in value), marks[0])
        return [text for part in value.split(mark) if (text := " ".join(part.split()))]
    if isinstance(value, list | tuple):
        return [text for part in value if (text := " ".join(shown(part).split()))]
    raise UnfitError(f"{quoted(shown(value))} does not fit {name}.", "It must be a list of texts.")


@dataclass(frozen=True, slots=True)
class Factors:
    """Names of two columns or more, or none."""

    words: str = "names of columns of the list of treatments, two or more, or none"

    def take(self, name: str, value: object) -> tuple[str, ...]:
        """Check the names."""
        names = tuple(dict.fromkeys(_parts(name, value, ";,")))
        if len(names) == 1:
            raise UnfitError(
                f"A factorial has two factors or more; named is only {quoted(names[0])}.",
                "Name the columns of treatments.csv that make up the factorial: "
                '["product", "rate"].',
            )
        return names


@dataclass(frozen=True, slots=True)
class Contrasts:
    """Planned contrasts, each with a name of its own."""

    words: str = "texts such as 'sprays or drench = 2, 3 against 4' (ids of treatments)"

    def take(self, name: str, value: object) -> tuple[str, ...]:
        """Check that each can be read."""
        found: dict[str, str] = {}
        for text in _parts(name, value, ";"):
            try:
                contrast = read_planned(text).name
            except ValueError as fault:
                raise UnfitError(
                    f"The planned contrast {quoted(text)} can't be read: {fault}.",
                    HOW_CONTRAST,
                    "bad-contrast",
                ) from fault
            if contrast in found:
                raise UnfitError(
                    f"Two planned contrasts are named {quoted(contrast)}.",
                    "Give each a name of its own.",
                    "bad-contrast",
                )
            found[contrast] = text
        return tuple(found.values())


def setting(default: T, rule: Rule, meaning: str) -> T:
    """Make a field of the settings that knows what it may be and what it means."""
    made: T = field(default=default, metadata={"rule": rule, "meaning": meaning})
    return made


def rule_of(metadata: Any) -> Rule:
    """Find the rule of a field made by `setting`."""
    return cast("Rule", metadata["rule"])
