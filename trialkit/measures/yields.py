"""Yield: from the harvested mass of a plot to mass per area at the standard moisture."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final, Literal, TypeAlias, get_args

import numpy as np
from numpy.typing import ArrayLike

from trialkit.measures._arrays import BoolArray, FloatArray, TextArray, broadcast, floats, settle
from trialkit.measures.units import convert

YieldUnit: TypeAlias = Literal["kg/ha", "t/ha", "lb/acre", "bu/acre"]
YIELD_UNITS: Final[tuple[str, ...]] = get_args(YieldUnit)

NOT_WEIGHED = "not weighed"
BELOW_ZERO = "the harvested mass is below zero"
NO_AREA = "the harvested area is not known"
AREA_ZERO = "the harvested area is not above zero"
NO_MOISTURE = "moisture not measured"
NOT_A_MOISTURE = "the moisture is not between 0 and 100 percent"


@dataclass(frozen=True, slots=True, kw_only=True)
class Bushel:
    """What a bushel of a crop weighs, and the moisture at which it is usually sold.

    Attributes
    ----------
    lb : float
        Pounds in a bushel.
    standard_moisture_percent : float or None
        None where the sources differ: state your own.
    note : str
        What to know about the moisture.
    """

    lb: float
    standard_moisture_percent: float | None
    note: str = ""


BUSHELS: Final[Mapping[str, Bushel]] = MappingProxyType(
    {
        "wheat": Bushel(lb=60.0, standard_moisture_percent=13.5),
        "maize": Bushel(lb=56.0, standard_moisture_percent=15.5),
        "sorghum": Bushel(
            lb=56.0, standard_moisture_percent=None, note="13 or 14 percent; the sources differ"
        ),
        "soybean": Bushel(lb=60.0, standard_moisture_percent=13.0),
        "barley": Bushel(lb=48.0, standard_moisture_percent=14.5),
        "oats": Bushel(lb=32.0, standard_moisture_percent=14.0, note="13.5 percent in one manual"),
    }
)
"""US bushel by crop.

Weights: USDA figures as quoted in public extension fact sheets (Ohio State AGF-503; Wisconsin,
M. Rankin; both seen). Moistures: the Wisconsin sheet (seen). They are conventions, not law, and
every function takes its own.
"""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Yield:
    """Yield by plot.

    Attributes
    ----------
    value : ndarray of float
        In the unit asked for; NaN where undefined.
    reason : ndarray of str (object)
        Why undefined; empty otherwise.
    """

    value: FloatArray
    reason: TextArray


def harvested_yield(
    mass: ArrayLike,
    area: ArrayLike,
    moisture_percent: ArrayLike | None = None,
    *,
    standard_percent: float | None = None,
    unit: str = "kg/ha",
    weighed_in: str = "kg/m2",
    bushel_lb: float | None = None,
) -> Yield:
    """Yield per area from the mass harvested on each plot.

    Parameters
    ----------
    mass : array_like
        Harvested mass by plot, not below zero.
    area : array_like
        Harvested area, above zero. Broadcasts against mass.
    moisture_percent : array_like, optional
        Moisture at weighing, 0 to 100.
    standard_percent : float, optional
        Moisture to bring the yield to. Without it the yield stays at the moisture of harvest,
        whatever moistures are given.
    unit : {"kg/ha", "t/ha", "lb/acre", "bu/acre"}
    weighed_in : {"kg/m2", "lb/ft2", "kg/ft2", "lb/m2"}
        Units of the mass and the area.
    bushel_lb : float, optional
        Pounds in a bushel of the crop (see `BUSHELS`); needed for ``bu/acre``.

    Returns
    -------
    Yield
        Undefined where the mass, the area, or a moisture that is needed is missing.

    Raises
    ------
    ValueError
        When a unit is not known, the standard moisture is out of range, or a bushel has no
        weight.

    Examples
    --------
    >>> round(float(harvested_yield(6.2, 15, 18, standard_percent=14).value), 3)
    3941.085
    """
    y, a, m = broadcast(mass, area, np.nan if moisture_percent is None else moisture_percent)
    cases = [*_mass_cases(y), (~np.isfinite(a), NO_AREA), (a <= 0, AREA_ZERO)]
    with np.errstate(all="ignore"):
        per_area = y / a
        if standard_percent is not None:
            _check_standard(standard_percent)
            per_area = _dry(per_area, m, standard_percent)
            cases += _moisture_cases(m)
        wanted = convert_yield(per_area, weighed_in, unit, bushel_lb=bushel_lb)
        value, reason = settle(wanted, *cases)
    return Yield(value=value, reason=reason)


def convert_yield(
    value: ArrayLike, source: str, target: str, *, bushel_lb: float | None = None
) -> FloatArray:
    """Convert a yield, where a bushel stands for its weight.

    Parameters
    ----------
    value : array_like
        Yield in the source unit; NaN stays NaN.
    source, target : str
        Any mass over any area (``kg/ha``, ``t/ha``, ``lb/acre``, ``kg/m2``), or ``bu/acre``.
    bushel_lb : float, optional
        Pounds in a bushel of the crop; needed where one of the units is ``bu/acre``.

    Returns
    -------
    ndarray of float

    Raises
    ------
    ValueError
        When a unit is not known, or a bushel has no weight.

    Examples
    --------
    >>> round(float(convert_yield(100, "bu/acre", "kg/ha", bushel_lb=60)), 4)
    6725.1069
    """
    numbers = floats(value)
    if source == target:
        return numbers.copy()
    if "bu/acre" in (source, target) and not (
        bushel_lb is not None and np.isfinite(bushel_lb) and bushel_lb > 0
    ):
        raise ValueError("bushels need the weight of a bushel of the crop, in pounds")
    if source == "bu/acre" and bushel_lb is not None:
        numbers, source = numbers * bushel_lb, "lb/acre"
    if target == "bu/acre" and bushel_lb is not None:
        return np.asarray(convert(numbers, source, "lb/acre") / bushel_lb)
    return convert(numbers, source, target)


def _dry(mass: FloatArray, moisture: FloatArray, standard: float) -> FloatArray:
    """The mass of the same dry matter at the standard moisture, both on the wet basis."""
    return np.asarray(mass * (100.0 - moisture) / (100.0 - standard))


def _check_standard(standard: float) -> None:
    if not 0 <= standard < 100:
        raise ValueError("the standard moisture must be at least 0 and below 100 percent")


def _mass_cases(mass: FloatArray) -> list[tuple[BoolArray, str]]:
    return [(~np.isfinite(mass), NOT_WEIGHED), (np.asarray(mass < 0), BELOW_ZERO)]


def _moisture_cases(moisture: FloatArray) -> list[tuple[BoolArray, str]]:
    outside = np.asarray((moisture < 0) | (moisture > 100))
    return [(~np.isfinite(moisture), NO_MOISTURE), (outside, NOT_A_MOISTURE)]
