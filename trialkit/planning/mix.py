"""The mix sheet: what goes into the tank for every treatment and application."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import pandas as pd

from trialkit.measures.dose_units import active_of_product, amount_for
from trialkit.measures.tank import measured
from trialkit.measures.units import ML_PER_FL_OZ, convert
from trialkit.numerals import plural
from trialkit.planning.doses import Portion, applied
from trialkit.planning.options import Plan
from trialkit.planning.sprayer import Sprayer, sprayer_of
from trialkit.planning.tanks import Tank, before, in_order, make_tank
from trialkit.problems import Place, Problem, Severity, TrialError, warning
from trialkit.trial import Trial

AMOUNT_COLUMNS: Final = (
    "application", "date", "treatment", "name", "product", "rate", "rate_unit", "amount", "unit",
    "measure", "error_percent", "active_g", "amount_us",
)  # fmt: skip
TANK_COLUMNS: Final = (
    "application", "date", "order", "treatment", "name", "method", "plots", "sprayed_m2",
    "carrier_l_per_ha", "needed_l", "mix_l", "before", "seconds_a_plot", "inject_ml_per_min",
    "inject_g_per_min",
)  # fmt: skip
#: Errors of measuring above this are told: common practice, no source.
_COARSE_PERCENT = 2.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MixSheet:
    """What to mix.

    Attributes
    ----------
    amounts : DataFrame
        One row a product in a tank: ``amount`` in ``unit`` (mL or g), ``measure`` (what pipette
        or balance can do) with ``error_percent``, ``active_g`` where the content is known,
        ``amount_us`` in US units as text.
    tanks : DataFrame
        One row a tank in the order of spraying: ``sprayed_m2`` of all plots, ``needed_l`` through
        the nozzles, ``mix_l`` with the dead volume, what to do ``before`` filling it,
        ``seconds_a_plot``; for injection ``inject_ml_per_min`` and ``inject_g_per_min`` of the
        products together, where the time is given.
    sprayer : Sprayer
    problems : tuple of Problem
        Warnings.

    Examples
    --------
    >>> import trialkit
    >>> trial = trialkit.read_trial(trialkit.example_trial("leaf_beetle_potato"))
    >>> sheet = trialkit.mix_sheet(trial)
    >>> sorted(set(sheet.amounts["unit"]))
    ['g', 'mL']
    """

    amounts: pd.DataFrame
    tanks: pd.DataFrame
    sprayer: Sprayer
    problems: tuple[Problem, ...]

    def __repr__(self) -> str:
        held = (
            plural(len(self.tanks), "tank"),
            plural(len(self.amounts), "amount"),
            plural(len(self.problems), "warning"),
        )
        return f"<MixSheet: {', '.join(held)}>"


def mix_sheet(trial: Trial) -> MixSheet:
    """Work out what to mix for every treatment and application of a trial.

    Parameters
    ----------
    trial : Trial
        Rates with units stand in its treatments (and doses), what is known of the sprayer in its
        plan (``sprayer.spacing`` and so on); without plots the planned number of blocks is taken.

    Returns
    -------
    MixSheet
        The untreated has no row. A computation and no authorisation: label and law decide.

    Raises
    ------
    TrialError
        When units do not fit each other, or something is missing that an amount needs.

    Examples
    --------
    >>> import trialkit
    >>> trial = trialkit.read_trial(trialkit.example_trial("leaf_beetle_potato"))
    >>> trialkit.mix_sheet(trial).tanks["mix_l"].iloc[0]
    2.16
    """
    problems: list[Problem] = []
    plan = Plan.of(trial)
    sprayer = sprayer_of(trial, plan, problems)
    tanks: list[Tank] = []
    for application in trial.applications or (None,):
        own = [
            tank
            for treatment in trial.treatments
            if applied(trial, treatment, application)
            and (tank := make_tank(trial, plan, sprayer, treatment, application, problems))
            is not None
        ]
        tanks += in_order(own)
    problems = list(dict.fromkeys(problems))
    if any(problem.severity is Severity.ERROR for problem in problems):
        raise TrialError(problems)
    rows = [row for tank in tanks for row in _amounts(tank, plan, problems)]
    return MixSheet(
        amounts=pd.DataFrame(rows, columns=list(AMOUNT_COLUMNS), dtype=object),
        tanks=pd.DataFrame(
            _tank_rows(tanks, plan, sprayer), columns=list(TANK_COLUMNS), dtype=object
        ),
        sprayer=sprayer,
        problems=tuple(dict.fromkeys(problems)),
    )


# --- rows ----------------------------------------------------------------------------------


def _head(tank: Tank) -> dict[str, object]:
    application = tank.application
    return {
        "application": None if application is None else application.id,
        "date": None if application is None else application.date,
        "treatment": tank.treatment.id,
        "name": tank.treatment.name,
    }


def _tank_rows(tanks: Sequence[Tank], plan: Plan, sprayer: Sprayer) -> list[dict[str, object]]:
    rows: list[dict[str, object]] = []
    earlier: Tank | None = None
    order = 0
    minutes = plan.quantity("sprayer.injection_time", "min")
    for tank in tanks:
        if earlier is not None and earlier.application is not tank.application:
            earlier, order = None, 0
        order += 1
        rows.append(
            {
                **_head(tank),
                "order": order,
                "method": tank.method,
                "plots": tank.plots,
                "sprayed_m2": tank.sprayed_m2,
                "carrier_l_per_ha": tank.carrier,
                "needed_l": tank.needed_l,
                "mix_l": tank.mix_l,
                "before": before(tank, earlier),
                "seconds_a_plot": sprayer.seconds if tank.method == "spray" else None,
                **{
                    name: _injected(tank, unit, minutes)
                    for name, unit in (("inject_ml_per_min", "mL"), ("inject_g_per_min", "g"))
                },
            }
        )
        earlier = tank
    return rows


def _injected(tank: Tank, unit: str, minutes: float | None) -> float | None:
    """Products in one unit for each minute of an injection; None where there are none."""
    if tank.method != "injection" or minutes is None:
        return None
    amounts = [item.product_amount(_amount(item, tank)) for item in tank.portions]
    total = sum(amount for amount, own in amounts if own == unit)
    return total / minutes if total else None


def _amount(item: Portion, tank: Tank) -> float:
    """Amount of a product in the unit of its rate."""
    basis = item.unit.basis
    if basis == "area":
        return amount_for(item.rate, item.unit, tank.strength_m2 or 0.0, "m2")
    if basis == "mixture":
        return amount_for(item.rate, item.unit, tank.mix_l or 0.0, "L")
    if basis == "seed":
        return amount_for(item.rate, item.unit, tank.seed_kg or 0.0, "kg")
    return amount_for(item.rate, item.unit, tank.plants or 0.0, "plant")


def _amounts(tank: Tank, plan: Plan, problems: list[Problem]) -> list[dict[str, object]]:
    rows = []
    for item in tank.portions:
        amount, unit = item.product_amount(_amount(item, tank))
        step = plan.quantity(
            *(("sprayer.pipette_step", "mL") if unit == "mL" else ("sprayer.balance_step", "g"))
        )
        taken = off = None
        if step is not None and amount > 0:
            taken, off = measured(amount, step)
            problems += _coarse(item, tank, amount, unit, step, off)
        active = None
        if item.content is not None:
            active = active_of_product(amount, unit, *item.content)
        rows.append(
            {
                **_head(tank),
                "product": item.product,
                "rate": item.rate,
                "rate_unit": item.written,
                "amount": amount,
                "unit": unit,
                "measure": taken,
                "error_percent": off,
                "active_g": active,
                "amount_us": _us(amount, unit),
            }
        )
    return rows


def _us(amount: float, unit: str) -> str:
    if unit == "mL":
        return f"{amount / ML_PER_FL_OZ:.3g} fl oz"
    ounces = float(convert(amount, "g", "oz"))
    return f"{ounces:.3g} oz" if ounces < 16 else f"{ounces / 16:.3g} lb"


def _coarse(
    item: Portion, tank: Tank, amount: float, unit: str, step: float, off: float
) -> list[Problem]:
    if abs(off) <= _COARSE_PERCENT:
        return []
    treatment = tank.treatment
    return [
        warning(
            "coarse-measure",
            f"{item.product} for treatment {treatment.id}: {amount:.3g} {unit} cannot be "
            f"measured closer than {abs(off):.2g}% in steps of {step:g} {unit}.",
            "Make a stock of known strength and measure that, mix for more than is sprayed, or "
            "take a finer instrument.",
            Place(column="sprayer.pipette_step" if unit == "mL" else "sprayer.balance_step"),
        )
    ]
