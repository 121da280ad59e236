"""Natural enemies: how far they are reduced, how harmful that is called, and what the pest does.

Numbers of natural enemies are compared with the untreated as pests are, only that a reduction is
a harm.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from trialkit.measures._arrays import (
    NOT_COUNTED,
    FloatArray,
    IntArray,
    TextArray,
    broadcast,
    floats,
    settle,
)
from trialkit.measures.control import BELOW_ZERO

NO_ENEMIES = "no natural enemies counted"

FIELD_CLASSES: Final[tuple[str, ...]] = (
    "harmless",
    "slightly harmful",
    "moderately harmful",
    "harmful",
)
"""Names of the field classes 1 to 4; other pages word the middle ones differently."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FieldClass:
    """Harm class of the IOBC field scheme.

    Attributes
    ----------
    number : ndarray of int
        1 to 4; 0 where the reduction is undefined.
    label : ndarray of str (object)
        The name in `FIELD_CLASSES`; empty where undefined.
    """

    number: IntArray
    label: TextArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Ratio:
    """Pests for each natural enemy.

    Attributes
    ----------
    value : ndarray of float
        NaN where undefined.
    reason : ndarray of str (object)
        Why undefined; empty otherwise.
    """

    value: FloatArray
    reason: TextArray


def field_class(reduction_percent: ArrayLike) -> FieldClass:
    """Class a reduction of natural enemies by the IOBC scheme for semi-field and field trials.

    Class 1 below 25 %, 2 from 25 to 50 %, 3 above 50 to 75 %, 4 above 75 %.

    Parameters
    ----------
    reduction_percent : array_like
        Reduction against the untreated, signed; NaN where undefined.

    Returns
    -------
    FieldClass

    Notes
    -----
    The sources leave exactly 25, 50 and 75 open. The rule here: 25 and 50 belong to class 2, 75
    to class 3. Names of the classes differ between sources, so show the percentage beside the
    class. A class describes a trial; it is no registration of a product.

    References
    ----------
    IOBC classes as several public pages give them (seen).

    Examples
    --------
    >>> field_class([10, 25, 60, 90]).number.tolist()
    [1, 2, 3, 4]
    """
    percent = floats(reduction_percent)
    with np.errstate(all="ignore"):
        number = 1 + (percent >= 25).astype(np.int64) + (percent > 50) + (percent > 75)
    number = np.asarray(np.where(np.isfinite(percent), number, 0), dtype=np.int64)
    names = np.array(["", *FIELD_CLASSES], dtype=object)
    return FieldClass(number=number, label=np.asarray(names[number], dtype=object))


def class_of_interval(lower: ArrayLike, upper: ArrayLike) -> list[str]:
    """Name the classes of the field scheme in which an interval of the reduction lies.

    Parameters
    ----------
    lower, upper : array_like
        Limits of the reduction in percent; NaN where there is none, which gives an empty text.

    Examples
    --------
    >>> class_of_interval([80, 10], [90, 60])
    ['harmful', 'harmless to moderately harmful']
    """
    low, high = field_class(lower), field_class(upper)
    return [
        "" if not one or not other else one if one == other else f"{one} to {other}"
        for one, other in zip(low.label.tolist(), high.label.tolist(), strict=True)
    ]


def pest_per_enemy(pest: ArrayLike, enemies: ArrayLike) -> Ratio:
    """Pests for each natural enemy.

    Parameters
    ----------
    pest, enemies : array_like
        Counts on the same unit (plant, sweep, trap), not below zero. They broadcast.

    Returns
    -------
    Ratio
        Undefined where there are no enemies, whatever the pest.

    Examples
    --------
    >>> float(pest_per_enemy(60, 4).value)
    15.0
    """
    p, e = broadcast(pest, enemies)
    with np.errstate(all="ignore"):
        value, reason = settle(
            p / e,
            (~(np.isfinite(p) & np.isfinite(e)), NOT_COUNTED),
            ((p < 0) | (e < 0), BELOW_ZERO),
            (e == 0, NO_ENEMIES),
        )
    return Ratio(value=value, reason=reason)
