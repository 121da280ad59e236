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
    BoolArray,
    FloatArray,
    IntArray,
    TextArray,
    broadcast,
    floats,
    settle,
)
from trialkit.measures.control import BELOW_ZERO, Control, abbott

NO_ENEMIES = "no natural enemies counted"
NOT_JUDGED = "no count of the pest later than a count of natural enemies"

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


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Resurgence:
    """Where the pest stood above the untreated after its enemies had been reduced.

    Attributes
    ----------
    flag : ndarray of bool
    enemies_down_day : ndarray of float
        First assessment after the application with the enemies down; NaN where there was none.
    pest_above_day : ndarray of float
        First later assessment with the pest above the untreated; NaN where not flagged.
    reason : ndarray of str (object)
        Why it could not be judged; empty where it could, whatever came out.
    """

    flag: BoolArray
    enemies_down_day: FloatArray
    pest_above_day: FloatArray
    reason: TextArray


def reduction(treated: ArrayLike, untreated: ArrayLike) -> Control:
    """Percent by which natural enemies are fewer than in the untreated.

    ``100 (C - T) / C``: Abbott's arithmetic. Below zero where they are more. Where they differed
    before treatment use `trialkit.measures.control.henderson_tilton`.

    Parameters
    ----------
    treated, untreated : array_like
        Counts, not below zero. They broadcast against each other.

    Returns
    -------
    Control
        Undefined where the untreated has none.
    """
    return abbott(treated, untreated)


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


def resurgence(
    enemy_days: ArrayLike,
    enemy_reduction: ArrayLike,
    pest_days: ArrayLike,
    pest_control: ArrayLike,
    *,
    enemies_down: float = 25.0,
    pest_above: float = 0.0,
    applied: float = 0.0,
) -> Resurgence:
    """Flag treatments whose pest stood above the untreated after their enemies had been reduced.

    The rule: on an assessment after the application natural enemies are reduced by at least
    ``enemies_down`` percent, and on a later one the pest stands more than ``pest_above`` percent
    above the untreated (percent control below ``-pest_above``).

    Parameters
    ----------
    enemy_days : array_like, (d,)
        Days on which natural enemies were counted.
    enemy_reduction : array_like, (..., d)
        Percent reduction of the enemies against the untreated; NaN where undefined.
    pest_days : array_like, (e,)
        Days on which the pest was counted; they may differ from those of the enemies.
    pest_control : array_like, (..., e)
        Percent control of the pest, signed; NaN where undefined. Leading axes broadcast against
        those of the enemies.
    enemies_down : float
        Percent. The default is where the field scheme ceases to say harmless.
    pest_above : float
        Percent, zero or above.
    applied : float
        Day of the application; earlier assessments do not count.

    Returns
    -------
    Resurgence

    Raises
    ------
    ValueError
        When days and values do not match, or pest_above is below zero.

    Notes
    -----
    Common practice, no source. The rule compares numbers and tests nothing: give it the limits
    of intervals instead of the estimates to flag only what is beyond chance. That one followed
    the other does not show that it was the cause.
    """
    e_day, reduced = _series(enemy_days, enemy_reduction, "natural enemies")
    p_day, control = _series(pest_days, pest_control, "the pest")
    if not pest_above >= 0:
        raise ValueError("pest_above must be zero or above")
    with np.errstate(all="ignore"):
        down = (reduced >= enemies_down) & (e_day > applied)
        above = (control < -pest_above) & (p_day > applied)
    down_day = _first(down, e_day)
    counted_day = _first(np.isfinite(reduced) & (e_day > applied), e_day)
    after = above & (p_day > down_day[..., None])
    above_day = _first(after, p_day)
    judged = (np.isfinite(control) & (p_day > counted_day[..., None])).any(axis=-1)
    down_day = np.broadcast_to(down_day, above_day.shape)
    reason = np.full(above_day.shape, "", dtype=object)
    reason[~np.asarray(judged)] = NOT_JUDGED
    return Resurgence(
        flag=np.isfinite(above_day),
        enemies_down_day=np.where(np.isfinite(down_day), down_day, np.nan),
        pest_above_day=np.where(np.isfinite(above_day), above_day, np.nan),
        reason=reason,
    )


def _series(days: ArrayLike, values: ArrayLike, what: str) -> tuple[FloatArray, FloatArray]:
    day, value = floats(days), floats(values)
    if day.ndim != 1 or value.ndim == 0 or value.shape[-1] != day.size:
        raise ValueError(f"days and values of {what} do not match")
    return day, value


def _first(mask: BoolArray, days: FloatArray) -> FloatArray:
    """Earliest day on which the mask holds; infinite where it never does."""
    return np.asarray(np.where(mask, days, np.inf).min(axis=-1, initial=np.inf))
