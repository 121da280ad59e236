"""Units that stand in headings: ``Yield (t/ha)``, ``rate oz/acre``, ``cost_usd_per_acre``."""

from __future__ import annotations

import re
from functools import lru_cache
from typing import NamedTuple

_PER_AREA = re.compile(
    r"(?P<stem>.*?)[\s_,(\[]+"
    r"(?P<above>kg|mg|g|dt|t|tonnes?|lbs?|bu|fl\.?[\s_]?oz|oz|ml|l|gal|pt|qt|[a-z]{3}|[$€£])"
    r"(?:\s*/\s*|[\s_]per[\s_]|_)"
    r"(?P<below>ha|hectare|acre|ac|a)\.?[)\]]?\s*",
    re.IGNORECASE,
)
_ABOVE = {"lbs": "lb", "l": "L", "ml": "mL", "tonne": "t", "tonnes": "t"}
#: What stands over ``A`` where it is short for an acre.
_OVER_ACRES = frozenset({"bu", "lb", "gal", "oz", "fl oz", "pt", "qt"})
_BELOW = {"ac": "acre", "a": "acre", "hectare": "ha"}
_MASSES = frozenset({"kg", "t", "dt", "lb", "bu"})


class HeadingUnit(NamedTuple):
    """A heading taken apart: what stands before the unit, and the two sides of the unit."""

    stem: str
    above: str
    below: str

    @property
    def unit(self) -> str:
        """The unit as it is written elsewhere: ``fl oz/acre``."""
        return f"{self.above}/{self.below}"

    @property
    def of_yield(self) -> bool:
        """Whether it is a mass, or bushels, over an area."""
        return self.above in _MASSES


@lru_cache(maxsize=1024)
def heading_unit(header: str) -> HeadingUnit | None:
    """Find the unit over an area that ends a heading; None where there is none.

    Examples
    --------
    >>> heading_unit("Yield (bu/ac)")
    HeadingUnit(stem='Yield', above='bu', below='acre')
    """
    match = _PER_AREA.fullmatch(header.strip())
    if match is None or not match["stem"].strip(" _,"):
        return None
    above = " ".join(re.split(r"[\s_.]+", match["above"].casefold()))
    above = "fl oz" if above in {"fl oz", "floz"} else _ABOVE.get(above, above)
    below = match["below"].casefold()
    if below == "a" and above not in _OVER_ACRES:
        return None
    return HeadingUnit(match["stem"].strip(" _,"), above, _BELOW.get(below, below))


#: What was hit, of all that were looked at.
HIT = re.compile(
    r".*(?<![a-z])(?:damaged|infested|infected|diseased|dead|alive|live|surviv\w+|attacked|affected|"
    r"mined|bored|hit|positive|killed|rotten|rotted|blighted|wilted|lodged|germinated|emerged|"
    r"scarred|injured|galled|sick|parasiti[sz]ed|moribund|eaten|tunnel+ed|spotted|mouldy|moldy|"
    r"symptomatic|hollow|with[\s_]+symptoms)(?![a-z]).*",
    re.IGNORECASE,
)
