"""Money: what the yield brought, and at which price or cost a treatment pays for itself.

All amounts are for the same area (a hectare or an acre): the yield in its unit for each area, the
price for one unit of yield, the cost for each area. `trialkit.measures.units.convert` brings a cost
from ``1/ha`` to ``1/acre``. One currency throughout. The arithmetic of a trial is no advice.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from trialkit.measures._arrays import (
    BoolArray,
    FloatArray,
    TextArray,
    broadcast,
    settle,
)

NO_YIELD = "yield not known"
NO_COST = "no cost given"
NO_GAIN = "no more yield than the untreated, so it pays at no price"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Amount:
    """An amount of money, or a price.

    Attributes
    ----------
    value : ndarray of float
        NaN where undefined.
    reason : ndarray of str (object)
        Why undefined; empty otherwise.
    """

    value: FloatArray
    reason: TextArray


def gross_return(yields: ArrayLike, price: float) -> Amount:
    """What the crop brought: ``yield price``.

    Parameters
    ----------
    yields : array_like
        Yield for each area. NaN where missing.
    price : float
        For one unit of yield, above zero.

    Returns
    -------
    Amount
        For each area. Undefined where there is no yield.

    Raises
    ------
    ValueError
        When the price is not above zero.
    """
    return net_return(yields, price, 0.0)


def net_return(yields: ArrayLike, price: float, cost: ArrayLike) -> Amount:
    """What is left after the treatment is paid: ``yield price - cost``.

    Only the cost stated is taken off; all other costs of the crop are left out, as they are the
    same for all treatments of a trial.

    Parameters
    ----------
    yields : array_like
        Yield for each area. NaN where missing.
    price : float
        For one unit of yield, above zero.
    cost : array_like
        Cost of the treatment for each area, product and application. Broadcasts against yields.

    Returns
    -------
    Amount
        For each area. Undefined where yield or cost is missing.

    Raises
    ------
    ValueError
        When the price is not above zero.

    Examples
    --------
    >>> float(net_return(5.2, 200.0, 65.0).value)
    975.0
    """
    _check_price(price)
    y, c = broadcast(yields, cost)
    with np.errstate(all="ignore"):
        value, reason = settle(y * price - c, *_missing(y, c))
    return Amount(value=value, reason=reason)


def net_gain(yield_gain: ArrayLike, price: float, cost: ArrayLike) -> Amount:
    """Gain over the untreated: ``gain price - cost``, below zero where the treatment did not pay.

    Parameters
    ----------
    yield_gain : array_like
        Yield less that of the untreated, signed. NaN where missing.
    price, cost
        As for `net_return`; the cost is what the treatment costs more than the untreated.

    Returns
    -------
    Amount
        For each area.

    Raises
    ------
    ValueError
        When the price is not above zero.
    """
    return net_return(yield_gain, price, cost)


def break_even_price(yield_gain: ArrayLike, cost: ArrayLike) -> Amount:
    """Lowest price of the crop at which a treatment pays for itself: ``cost / gain``.

    Parameters
    ----------
    yield_gain : array_like
        Yield less that of the untreated, signed.
    cost : array_like
        Cost of the treatment for each area. Broadcasts against yield_gain.

    Returns
    -------
    Amount
        For one unit of yield. Undefined where the treatment yielded no more than the untreated;
        zero or below where it cost no more, so that it paid at any price.

    Examples
    --------
    >>> float(break_even_price(0.5, 65.0).value)
    130.0
    """
    g, c = broadcast(yield_gain, cost)
    with np.errstate(all="ignore"):
        value, reason = settle(c / g, *_missing(g, c), (g <= 0, NO_GAIN))
    return Amount(value=value, reason=reason)


def break_even_cost(yield_gain: ArrayLike, price: float) -> Amount:
    """Highest cost at which a treatment pays for itself: ``gain price``.

    Signed: below zero it would not have paid even as a gift.

    Parameters
    ----------
    yield_gain : array_like
        Yield less that of the untreated, signed.
    price : float
        For one unit of yield, above zero.

    Returns
    -------
    Amount
        For each area.

    Raises
    ------
    ValueError
        When the price is not above zero.
    """
    return gross_return(yield_gain, price)


def _check_price(price: float) -> None:
    if not (np.isfinite(price) and price > 0):
        raise ValueError(f"the price must be above zero, not {price:g}")


def _missing(yields: FloatArray, cost: FloatArray) -> tuple[tuple[BoolArray, str], ...]:
    return (~np.isfinite(yields), NO_YIELD), (~np.isfinite(cost), NO_COST)
