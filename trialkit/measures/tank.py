"""From nozzle to tank: even nozzles, pressure, time of a pass, what to mix and what was put out.

These are calculations from what the user states. They recommend no product, rate or volume: the
label, the law and licensed practice decide those.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from trialkit.measures.sprayer import mix_for_treatment, not_negative, positive
from trialkit.measures.units import FL_OZ_PER_GAL, M2_PER_ACRE, M2_PER_HA


@dataclass(frozen=True, slots=True, kw_only=True)
class Nozzles:
    """What a catch test shows.

    Attributes
    ----------
    median : float
        In the unit of the catches.
    deviation_percent : tuple of float
        Of each nozzle from the median.
    uneven : tuple of int
        Nozzles that deviate by more than is allowed, from 1, left to right.
    """

    median: float
    deviation_percent: tuple[float, ...]
    uneven: tuple[int, ...]


#: A nozzle further than this from the middle of all is cleaned or replaced: common practice, no
#: source.
UNEVEN_PERCENT: Final = 10.0


def catch_test(caught: Sequence[float]) -> Nozzles:
    """Compare what each nozzle gave in the same time.

    Parameters
    ----------
    caught : sequence of float
        Of every nozzle, from left to right, in one unit; not below zero.

    Returns
    -------
    Nozzles

    Raises
    ------
    ValueError
        When there is none, or their median is not above zero.

    Examples
    --------
    >>> catch_test([790, 805, 800, 640]).uneven
    (4,)
    """
    flows = np.asarray(caught, dtype=float)
    for flow in flows:
        not_negative(float(flow), "catch")
    if not flows.size or not float(np.median(flows)) > 0:
        raise ValueError("a catch test needs catches above zero")
    middle = float(np.median(flows))
    deviation = 100 * (flows - middle) / middle
    return Nozzles(
        median=middle,
        deviation_percent=tuple(float(item) for item in deviation),
        uneven=tuple(int(i) + 1 for i in np.flatnonzero(np.abs(deviation) > UNEVEN_PERCENT)),
    )


def pressure_for_flow(flow: float, pressure: float, new_flow: float) -> float:
    """Pressure at which a nozzle has another flow: the flow goes with the root of the pressure.

    Parameters
    ----------
    flow : float
        At ``pressure``; above zero.
    pressure : float
        Above zero.
    new_flow : float
        In the unit of ``flow``; not below zero.

    Returns
    -------
    float
        In the unit of ``pressure``.

    Raises
    ------
    ValueError
        When a number is out of range.

    Notes
    -----
    ``gpm1 / gpm2 = sqrt(psi1) / sqrt(psi2)``, as makers and extension texts give it [from memory]:
    twice the flow takes four times the pressure.

    Examples
    --------
    >>> pressure_for_flow(0.8, 2, 1.6)
    8.0
    """
    positive(flow, "flow")
    positive(pressure, "pressure")
    not_negative(new_flow, "flow")
    return pressure * (new_flow / flow) ** 2


def pass_seconds(length_m: float, speed_km_h: float) -> float:
    """Time for one pass over a plot, seconds: ``3.6 m / (km/h)``.

    Raises
    ------
    ValueError
        When the length is below zero or the speed is not above zero.

    Examples
    --------
    >>> pass_seconds(10, 4)
    9.0
    """
    not_negative(length_m, "length")
    positive(speed_km_h, "speed")
    return 3.6 * length_m / speed_km_h


def timed_speed(length_m: float, seconds: float) -> float:
    """Speed over a timed course, km/h: ``3.6 m / s``.

    Raises
    ------
    ValueError
        When the length is below zero or the time is not above zero.

    Examples
    --------
    >>> timed_speed(100, 45)
    8.0
    """
    not_negative(length_m, "length")
    positive(seconds, "time")
    return 3.6 * length_m / seconds


def catch_course_m(spacing_m: float) -> float:
    """Length of the course for the 1/128-acre catch, metres.

    The US fluid ounces caught from one nozzle in the time that this course takes are US gallons
    per acre, since a gallon has 128 of them.

    Parameters
    ----------
    spacing_m : float
        Nozzle spacing or band width; above zero.

    Raises
    ------
    ValueError
        When the spacing is not above zero.

    References
    ----------
    Method and rounded lengths on a Clemson extension page (seen).
    """
    positive(spacing_m, "spacing")
    return M2_PER_ACRE / FL_OZ_PER_GAL / spacing_m


def tank_mix(
    carrier_l_per_ha: float, sprayed_m2: float, *, dead_volume_l: float = 0.0
) -> tuple[float, float]:
    """Mixture for a sprayed area, and the area that it would do for with what stays in the tank.

    ``carrier area / 10000 + dead volume``; product goes by the larger area, so that the mixture
    has the strength that the rate asks for.

    Parameters
    ----------
    carrier_l_per_ha : float
        Above zero.
    sprayed_m2 : float
        All plots of the treatment, with overspray; above zero.
    dead_volume_l : float
        What does not reach the nozzles; not below zero.

    Returns
    -------
    (float, float)
        Litres, and square metres.

    Raises
    ------
    ValueError
        When a number is out of range.

    Examples
    --------
    >>> tank_mix(200, 120, dead_volume_l=0.6)
    (3.0, 150.0)
    """
    positive(carrier_l_per_ha, "spray volume")
    positive(sprayed_m2, "sprayed area")
    not_negative(dead_volume_l, "dead volume")
    over = dead_volume_l / (carrier_l_per_ha * sprayed_m2 / M2_PER_HA) * 100
    mix = mix_for_treatment(carrier_l_per_ha, 0.0, sprayed_m2, 1, overage_percent=over)
    return mix.mix_l, mix.area_m2


def measured(amount: float, step: float) -> tuple[float, float]:
    """Amount that a pipette or balance can do, and by how many percent it is off.

    Parameters
    ----------
    amount : float
        Above zero.
    step : float
        Smallest step of the instrument, in the same unit; above zero.

    Returns
    -------
    (float, float)
        The nearest step (0 where the amount is below half a step), and its error in percent.

    Raises
    ------
    ValueError
        When a number is out of range.

    Examples
    --------
    >>> taken, error = measured(4.52, 0.1)
    >>> taken, round(error, 2)
    (4.5, -0.44)
    """
    positive(amount, "amount")
    positive(step, "step")
    steps = float(np.floor(amount / step + 0.5))
    digits = max(0, 3 - int(np.floor(np.log10(step))))
    taken = round(steps * step, digits)
    return taken, 100 * (taken - amount) / amount


def rate_put_out(rate: float, mixed_l: float, left_l: float, needed_l: float) -> float:
    """Rate that was put out, from what was left of the mixture.

    ``rate (mixed - left) / needed``.

    Parameters
    ----------
    rate : float
        For which it was mixed; not below zero.
    mixed_l, left_l : float
        Mixed, and left in tank and hoses; left is not more than was mixed.
    needed_l : float
        What the sprayed area takes at the spray volume that was mixed for; above zero.

    Raises
    ------
    ValueError
        When a number is out of range.

    Examples
    --------
    >>> rate_put_out(0.2, 3.0, 0.6, 2.4)
    0.2
    """
    not_negative(rate, "rate")
    not_negative(left_l, "rest")
    positive(needed_l, "volume needed")
    if left_l > mixed_l:
        raise ValueError(f"more was left ({left_l:g}) than was mixed ({mixed_l:g})")
    return rate * (mixed_l - left_l) / needed_l
