"""Resistance: programmes that use one mode-of-action group in successive applications.

Groups are what the user wrote, by whatever scheme; no list of products or groups is kept here.
Whether a repeat matters depends on generations of the pest, labels and local advice, of which this
arithmetic knows nothing: it points the repeat out and no more.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal, TypeAlias

Level: TypeAlias = Literal["group", "main"]

_BETWEEN: Final = re.compile(r"\s*(?:[+/,;&]|\band\b)\s*", re.IGNORECASE)
_WORD: Final = re.compile(r"\bgroup\b", re.IGNORECASE)
_SUBGROUP: Final = re.compile(r"(.*\d)[A-Z]")
_NOT_STATED: Final = frozenset({"", "-", ".", "?", "*", "NA", "N/A", "NONE", "UNKNOWN"})
# Groups that say a mode of action is unknown or unclassified (from memory): two products of such
# a group need not act alike.
_NO_COMMON_ACTION: Final = re.compile(r"(?:.*\s)?(?:UN[BEFMPV]?|NC)")


@dataclass(frozen=True, slots=True, kw_only=True)
class Repeat:
    """One group in successive applications.

    Attributes
    ----------
    group : str
        In capitals.
    applications : tuple of int
        Their numbers in the programme, counted from 1, without a break; two or more.
    """

    group: str
    applications: tuple[int, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Programme:
    """A programme of applications looked at for repeats.

    Attributes
    ----------
    repeats : tuple of Repeat
        In order of their first application, then of the group.
    not_stated : tuple of int
        Applications, counted from 1, without a group: nothing is said about them, and they
        end a run.
    """

    repeats: tuple[Repeat, ...]
    not_stated: tuple[int, ...]


def groups_of(text: str | None, *, level: Level = "group") -> frozenset[str]:
    """Take apart the mode-of-action groups of one application.

    Parameters
    ----------
    text : str or None
        One group (``4A``), or those of a mixture with ``+``, ``/``, ``,``, ``;``, ``&`` or "and"
        between them. Case and the word "group" do not matter.
    level : {"group", "main"}
        ``main`` drops the letter of a subgroup, so that 4A and 4D are both 4.

    Returns
    -------
    frozenset of str
        In capitals; empty where no group is stated, or only that it is unknown.

    Examples
    --------
    >>> sorted(groups_of("group 4a + 28"))
    ['28', '4A']
    """
    if level not in ("group", "main"):
        raise ValueError(f"level must be 'group' or 'main', not {level!r}")
    if text is None or text.strip().upper() in _NOT_STATED:
        return frozenset()
    found = set()
    for part in _BETWEEN.split(_WORD.sub(" ", text)):
        group = " ".join(part.split()).upper()
        if group in _NOT_STATED or _NO_COMMON_ACTION.fullmatch(group):
            continue
        subgroup = _SUBGROUP.fullmatch(group) if level == "main" else None
        found.add(subgroup.group(1) if subgroup else group)
    return frozenset(found)


def repeated_groups(applications: Sequence[str | None], *, level: Level = "group") -> Programme:
    """Find groups that a programme uses in successive applications.

    Parameters
    ----------
    applications : sequence of str or None
        The groups of each application in order of date, as `groups_of` takes them.
    level : {"group", "main"}
        ``main`` compares main groups (4A followed by 4D is a repeat of 4).

    Returns
    -------
    Programme

    Raises
    ------
    ValueError
        When the level is not known.

    Examples
    --------
    >>> repeated_groups(["4A", "4A + 28", "28", "6"]).repeats
    (Repeat(group='4A', applications=(1, 2)), Repeat(group='28', applications=(2, 3)))
    """
    by_application = [groups_of(text, level=level) for text in applications]
    repeats = []
    for group in sorted(frozenset().union(*by_application)):
        run: list[int] = []
        for number, groups in enumerate([*by_application, frozenset[str]()], start=1):
            if group in groups:
                run.append(number)
                continue
            if len(run) > 1:
                repeats.append(Repeat(group=group, applications=tuple(run)))
            run = []
    repeats.sort(key=lambda repeat: (repeat.applications[0], repeat.group))
    not_stated = tuple(i for i, groups in enumerate(by_application, start=1) if not groups)
    return Programme(repeats=tuple(repeats), not_stated=not_stated)
