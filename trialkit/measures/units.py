"""Units of field work and how they convert, from exact constants."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from types import MappingProxyType
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from trialkit.measures._arrays import FloatArray, floats

KG_PER_LB: Final = 0.45359237
M_PER_FT: Final = 0.3048
M2_PER_FT2: Final = M_PER_FT**2
FT2_PER_ACRE: Final = 43560.0
M2_PER_ACRE: Final = 4046.8564224
M2_PER_HA: Final = 10_000.0
L_PER_GAL: Final = 3.785411784
FL_OZ_PER_GAL: Final = 128.0
ML_PER_FL_OZ: Final = 29.5735295625
L_PER_BUSHEL: Final = 35.23907016688

# What a unit measures, and how many of kg, m, m2, L, s or Pa it is.
_UNITS: Final[Mapping[str, tuple[str, float]]] = MappingProxyType(
    {
        "1": ("number", 1.0),
        "mg": ("mass", 1e-6),
        "g": ("mass", 1e-3),
        "kg": ("mass", 1.0),
        "t": ("mass", 1000.0),
        "oz": ("mass", KG_PER_LB / 16),
        "lb": ("mass", KG_PER_LB),
        "cm": ("length", 0.01),
        "m": ("length", 1.0),
        "km": ("length", 1000.0),
        "in": ("length", 0.0254),
        "ft": ("length", M_PER_FT),
        "mi": ("length", 1609.344),
        "m2": ("area", 1.0),
        "ha": ("area", M2_PER_HA),
        "ft2": ("area", M2_PER_FT2),
        "acre": ("area", M2_PER_ACRE),
        "mL": ("volume", 1e-3),
        "L": ("volume", 1.0),
        "hL": ("volume", 100.0),
        "fl oz": ("volume", ML_PER_FL_OZ / 1000),
        "pt": ("volume", L_PER_GAL / 8),
        "qt": ("volume", L_PER_GAL / 4),
        "gal": ("volume", L_PER_GAL),
        "bu": ("volume", L_PER_BUSHEL),
        "s": ("time", 1.0),
        "min": ("time", 60.0),
        "h": ("time", 3600.0),
        "kPa": ("pressure", 1e3),
        "bar": ("pressure", 1e5),
        "psi": ("pressure", KG_PER_LB * 9.80665 / 0.0254**2),
    }
)


def known_units() -> tuple[str, ...]:
    """Name the single units that `convert` knows; two of them make a rate (``kg/ha``)."""
    return tuple(unit for unit in _UNITS if unit != "1")


def convert(value: ArrayLike, source: str, target: str) -> FloatArray:
    """Convert numbers from one unit to another.

    Parameters
    ----------
    value : array_like
        In the source unit. NaN stays NaN.
    source, target : str
        A unit of `known_units` or a rate made of two of them with a stroke: ``gal/acre``,
        ``fl oz/acre``, ``kg/ha``, ``lb/bu``, ``km/h``; ``1/ha`` for a number or a cost for each
        hectare. US measures; ``oz`` is a weight, ``fl oz`` a volume, ``bu`` a volume (for the
        mass of a bushel of a crop see `trialkit.measures.yields`).

    Returns
    -------
    ndarray of float
        In the target unit.

    Raises
    ------
    ValueError
        When a unit is not known, or the two do not measure the same.

    Notes
    -----
    Exact constants: 1 lb = 0.45359237 kg; 1 acre = 43560 ft2 = 4046.8564224 m2; 1 US gal =
    3.785411784 L = 128 fl oz; 1 US bushel = 35.23907016688 L; 1 ft = 0.3048 m; 1 mile = 1609.344 m.

    Examples
    --------
    >>> round(float(convert(15, "gal/acre", "L/ha")), 6)
    140.309343
    """
    kind, factor = _factor(source)
    wanted, divisor = _factor(target)
    if kind != wanted:
        raise ValueError(f"{source} and {target} do not measure the same")
    return np.asarray(floats(value) * (factor / divisor))


def _factor(unit: str) -> tuple[dict[str, int], float]:
    above, _, below = unit.partition("/")
    powers: Counter[str] = Counter()
    factor = 1.0
    for name, power in ((above, 1), (below, -1)):
        if not name and power < 0 and "/" not in unit:
            continue
        try:
            kind, size = _UNITS[name.strip()]
        except KeyError:
            raise ValueError(
                f"{unit!r} is no unit known here; known are {', '.join(known_units())}"
            ) from None
        powers[kind] += power
        factor = factor * size if power > 0 else factor / size
    # A volume over an area is no length here: units are told apart by what people call them.
    return {kind: power for kind, power in powers.items() if power and kind != "number"}, factor
