"""Planned contrasts, as a person writes them: ``sprays against drench = 2, 3 against 4``."""

from __future__ import annotations

import re
from dataclasses import dataclass

_AGAINST = re.compile(r"\s+against\s+", re.IGNORECASE)


@dataclass(frozen=True, slots=True, kw_only=True)
class Planned:
    """The mean of some treatments against the mean of others.

    Attributes
    ----------
    name : str
    group, against : tuple of str
        Treatment ids.
    """

    name: str
    group: tuple[str, ...]
    against: tuple[str, ...]


def read_planned(text: str) -> Planned:
    """Read one planned contrast: ``name = ids against ids``, ids with commas between them.

    Parameters
    ----------
    text : str
        The name may be left out; the ids are the name then.

    Raises
    ------
    ValueError
        When it does not name treatments on both sides of ``against``, or one on both sides.
    """
    name, equals, sides = text.partition("=")
    if not equals:
        name = sides = text
    parts = _AGAINST.split(f" {sides.strip()} ")
    if len(parts) != 2:
        raise ValueError("it must say which treatments against which")
    group, against = (
        tuple(dict.fromkeys(item for part in side.split(",") if (item := part.strip())))
        for side in parts
    )
    if not group or not against:
        raise ValueError("it must name treatments on both sides of 'against'")
    both = [item for item in group if item in against]
    if both:
        raise ValueError(f"treatment {both[0]} stands on both sides")
    return Planned(name=" ".join(name.split()) or text.strip(), group=group, against=against)
