"""Units of rates and contents as labels write them: of area, mixture, seed or plant."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final, Literal

from trialkit.measures.units import convert

Basis = Literal["area", "mixture", "seed", "plant"]

_NAMES: Final = {
    "l": "L", "liter": "L", "litre": "L", "liters": "L", "litres": "L", "ml": "mL", "cc": "mL",
    "milliliter": "mL", "millilitre": "mL", "cm3": "mL", "hl": "hL", "kg": "kg", "g": "g",
    "gram": "g", "grams": "g", "mg": "mg", "t": "t", "oz": "oz", "ounce": "oz", "ounces": "oz",
    "ozwt": "oz", "lb": "lb", "lbs": "lb", "pound": "lb", "pounds": "lb", "floz": "fl oz",
    "fluidounce": "fl oz", "fluidounces": "fl oz", "pt": "pt", "pint": "pt", "pints": "pt",
    "qt": "qt", "quart": "qt", "quarts": "qt", "gal": "gal", "gallon": "gal", "gallons": "gal",
    "ha": "ha", "hectare": "ha", "acre": "acre", "ac": "acre", "a": "acre", "m2": "m2",
    "sqm": "m2", "ft2": "ft2", "sqft": "ft2", "cwt": "cwt", "plant": "plant", "plants": "plant",
    "seedling": "plant", "tree": "plant", "vine": "plant", "pot": "plant",
}  # fmt: skip
_MASS: Final = frozenset({"mg", "g", "kg", "t", "oz", "lb"})
_VOLUME: Final = frozenset({"mL", "L", "hL", "fl oz", "pt", "qt", "gal"})
_AREA: Final = frozenset({"ha", "acre", "m2", "ft2"})
_ACTIVE: Final = re.compile(
    r"\b(?:a\.?\s?i\.?|a\.?\s?s\.?|active(?: ingredient| substance)?)(?=$|[\s/])"
)
_PERCENT: Final = re.compile(r"%\s*(?:\(?v/v\)?|v\s*/\s*v|vol\.?|by volume)")


@dataclass(frozen=True, slots=True, kw_only=True)
class RateUnit:
    """What a rate is of, and for how much of what.

    Attributes
    ----------
    amount : str
        Unit of the amount: ``mL``, ``g``, ``fl oz`` and so on.
    basis : {'area', 'mixture', 'seed', 'plant'}
    per : str
        Unit of the basis: ``ha``, ``acre``, ``L``, ``gal``, ``kg``, ``lb``, ``plant``.
    size : float
        How many of them: 100 for ``g/100 kg``.
    active : bool
        Whether the amount is of active ingredient, and not of product.
    """

    amount: str
    basis: Basis
    per: str
    size: float = 1.0
    active: bool = False

    @property
    def liquid(self) -> bool:
        """Whether the amount is a volume."""
        return self.amount in _VOLUME


def read_rate_unit(text: str) -> RateUnit | None:
    """Read the unit of a rate; None where it is none that is known.

    Parameters
    ----------
    text : str
        Such as ``L/ha``, ``fl oz/acre``, ``g ai/ha``, ``% v/v``, ``mL/100 L``, ``g/kg seed``,
        ``fl oz/cwt``, ``mL/plant``.

    Returns
    -------
    RateUnit or None

    Examples
    --------
    >>> read_rate_unit("g a.i./ha")
    RateUnit(amount='g', basis='area', per='ha', size=1.0, active=True)
    """
    plain = " ".join(text.casefold().replace("per ", "/").split())
    if _PERCENT.fullmatch(plain):
        return RateUnit(amount="mL", basis="mixture", per="mL", size=100.0)
    active = _ACTIVE.search(plain) is not None
    above, stroke, below = _ACTIVE.sub("", plain).partition("/")
    amount = _name(above)
    match = re.fullmatch(
        r"\s*(\d+(?:[.,]\d+)?)?\s*([a-z0-9. ]+?)\s*(seeds?|water|spray|mix)?\s*", below
    )
    if not stroke or match is None or amount not in _MASS | _VOLUME:
        return None
    size = float((match.group(1) or "1").replace(",", "."))
    per, word = _name(match.group(2)), match.group(3) or ""
    if per == "cwt":  # the short hundredweight of the US seed trade
        per, size = "lb", size * 100
    basis = _basis(per, word)
    if basis is None or size <= 0:
        return None
    return RateUnit(amount=amount, basis=basis, per=per, size=size, active=active)


def _name(text: str) -> str:
    word = re.sub(r"[\s.]+", "", text)
    return _NAMES.get(word, "")


def _basis(per: str, word: str) -> Basis | None:
    if per in _AREA and not word:
        return "area"
    if per in _VOLUME and not word.startswith("seed"):
        return "mixture"
    if per in _MASS and word in {"", "seed", "seeds"}:
        return "seed"
    return "plant" if per == "plant" and not word else None


@dataclass(frozen=True, slots=True, kw_only=True)
class ContentUnit:
    """Active ingredient in a product: mass in a volume, or in a mass; per cent by weight."""

    mass: str
    per: str
    size: float = 1.0

    @property
    def of_liquid(self) -> bool:
        """Whether the content is that of a liquid product."""
        return self.per in _VOLUME


def read_content_unit(text: str) -> ContentUnit | None:
    """Read the unit of a content; None where it is none that is known.

    Parameters
    ----------
    text : str
        ``g/L``, ``g/kg``, ``% w/w``, ``% w/v``, ``lb/gal``.
    """
    plain = _ACTIVE.sub("", " ".join(text.casefold().split())).strip()
    if re.fullmatch(r"%\s*\(?(w/w|wt|by weight|m/m)\)?", plain):
        return ContentUnit(mass="g", per="g", size=100.0)
    if re.fullmatch(r"%\s*\(?(w/v|m/v)\)?", plain):
        return ContentUnit(mass="g", per="mL", size=100.0)
    above, _, below = plain.partition("/")
    mass, per = _name(above), _name(below)
    if mass in _MASS and per in _MASS | _VOLUME:
        return ContentUnit(mass=mass, per=per)
    return None


def amount_for(rate: float, unit: RateUnit, much: float, of: str) -> float:
    """Amount for so much area, mixture, seed or so many plants, in the unit of the rate's amount.

    Parameters
    ----------
    rate : float
        0 or more.
    unit : RateUnit
    much : float
        Of what the rate is for, in the unit ``of``.
    of : str
        A unit of area, volume or mass, as the basis has it; ``plant`` for plants.

    Returns
    -------
    float

    Examples
    --------
    >>> round(amount_for(1.5, RateUnit(amount="L", basis="area", per="ha"), 30, "m2"), 6)
    0.0045
    """
    per = much if unit.per == "plant" else float(convert(much, of, unit.per))
    return rate * per / unit.size


def product_of_active(
    active: float, unit: RateUnit, content: float, content_unit: ContentUnit
) -> tuple[float, str]:
    """Product that holds an amount of active ingredient, with its unit (``mL`` or ``g``).

    Raises
    ------
    ValueError
        When the amount is no mass, or the content is not above 0.
    """
    if unit.liquid:
        raise ValueError("an amount of active ingredient is a mass")
    if not content > 0:
        raise ValueError(f"the content must be above zero, not {content:g}")
    grams = float(convert(active, unit.amount, content_unit.mass))
    product = grams * content_unit.size / content
    target = "mL" if content_unit.of_liquid else "g"
    return float(convert(product, content_unit.per, target)), target


def active_of_product(
    product: float, unit: str, content: float, content_unit: ContentUnit
) -> float:
    """Active ingredient in an amount of product, in grams.

    Parameters
    ----------
    product : float
    unit : str
        A volume where the content is that of a liquid, else a mass.
    content : float
    content_unit : ContentUnit

    Raises
    ------
    ValueError
        When the product is a volume and its content is by weight, or the other way round.
    """
    much = float(convert(product, unit, content_unit.per))
    return float(convert(content * much / content_unit.size, content_unit.mass, "g"))
