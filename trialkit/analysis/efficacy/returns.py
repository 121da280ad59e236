"""Net return by treatment, where the user gave a price."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import special

from trialkit.analysis.basis import Basis
from trialkit.analysis.plots.responses import FloatArray
from trialkit.analysis.result import empty_table, join_tables, make_table
from trialkit.inference.comparisons.family import t_critical
from trialkit.inference.fit import Fit
from trialkit.measures import money
from trialkit.measures.units import convert
from trialkit.problems import Problem, warning

NO_COST = "no cost was given for this treatment"


def money_table(basis: Basis) -> pd.DataFrame:
    """Gross and net return, and the gain over the untreated with its interval.

    The gain is the difference of least-squares mean yields times the price, less what the
    treatment costs more than the untreated; its interval is that of the difference alone, since
    price and cost are taken as given.

    Empty where the settings have no price, or the yield has no unit of area to which a cost per
    hectare could be brought.
    """
    price, tested = basis.settings.crop_price, basis.tested
    # A price of 0 says no more than none: nothing could pay.
    if not price or tested is None or basis.plan.untreated is None:
        return empty_table("money")
    place = _priced(basis)
    if place is None:
        return empty_table("money")
    name = basis.responses[place].variable.name
    fit = next(fit for fit in tested.fits if place in fit.columns)
    column = int(np.flatnonzero(fit.columns == place)[0])
    return join_tables("money", [_of_fit(basis, name, fit, column, price)])


def _priced(basis: Basis) -> int | None:
    """Place of the yield to which the price belongs: the harvest, or one in the yield unit."""
    for place, item in enumerate(basis.responses):
        if item.measure != "yield":
            continue
        harvested = basis.harvested is not None and item.values is basis.harvested
        if harvested or item.variable.unit == basis.settings.yield_unit:
            return place
    return None


def money_problems(basis: Basis) -> tuple[Problem, ...]:
    """Say where a price was given and belongs to no yield."""
    yields = [item.variable for item in basis.responses if item.measure == "yield"]
    if not basis.settings.crop_price or not yields or _priced(basis) is not None:
        return ()
    unit = basis.settings.yield_unit
    named = ", ".join(variable.name for variable in yields)
    return (
        warning(
            "price-without-yield",
            f"A price of the crop was given, for 1 {unit.partition('/')[0]}, and no yield is in "
            f"{unit} ({named}): no returns are shown.",
            f'Say in what the yield is measured: unit = "{unit}" under the variable, or the '
            "yield_unit of the settings.",
        ),
    )


def _costs(basis: Basis) -> FloatArray:
    """Cost of each treatment for the unit of area of the yield; the untreated costs nothing."""
    area = basis.settings.yield_unit.partition("/")[2]
    costs = np.full(len(basis.trial.treatments), np.nan)
    for given in ("ha", "acre"):
        typed = [getattr(item, f"cost_per_{given}") for item in basis.trial.treatments]
        here = convert(
            [np.nan if cost is None else cost for cost in typed], f"1/{given}", f"1/{area}"
        )
        costs = np.where(np.isnan(costs), here, costs)
    if np.isnan(costs[basis.plan.untreated]):
        costs[basis.plan.untreated] = 0.0
    return costs


def _of_fit(basis: Basis, name: str, fit: Fit, column: int, price: float) -> pd.DataFrame:
    untreated, costs = basis.plan.untreated, _costs(basis)
    rows = basis.plan.layout.weights
    means = fit.contrasts(rows).estimate[:, column]
    apart = fit.contrasts(rows - rows[untreated])
    difference, df = means - means[untreated], apart.df[:, column]
    se = price * apart.se[:, column]
    extra = costs - costs[untreated]
    gain = money.net_gain(difference, price, extra)
    half = t_critical(basis.settings.alpha, df) * se
    own = np.arange(means.size) == untreated
    with np.errstate(divide="ignore", invalid="ignore"):
        p = 2.0 * special.stdtr(df, -np.abs(gain.value) / se)
    p = np.where(np.isfinite(gain.value) & (se > 0) & ~own, p, np.nan)
    reason = [
        NO_COST if np.isnan(cost) else (text or None)
        for cost, text in zip(costs, gain.reason, strict=True)
    ]
    return make_table(
        "money",
        {
            "variable": [name] * means.size,
            "treatment": list(basis.plan.treatments),
            "mean": means,
            "gross": money.gross_return(means, price).value,
            "cost": costs,
            "net": money.net_return(means, price, costs).value,
            "gain": np.where(own, np.nan, gain.value),
            "lower": np.where(own, np.nan, gain.value - half),
            "upper": np.where(own, np.nan, gain.value + half),
            "p": p,
            "break_even_price": np.where(
                own, np.nan, money.break_even_price(difference, extra).value
            ),
            "break_even_cost": np.where(
                own, np.nan, money.break_even_cost(difference, price).value
            ),
            "reason": [
                "the untreated itself" if mine else text
                for mine, text in zip(own, reason, strict=True)
            ],
        },
    )
