"""Masses as harvested -> yield per area at the standard moisture."""

from __future__ import annotations

import numpy as np
import pandas as pd

from trialkit.analysis.plots.responses import FloatArray, PlotPlan
from trialkit.measures.units import convert
from trialkit.measures.yields import BUSHELS, NOT_WEIGHED, YieldUnit, harvested_yield
from trialkit.problems import Problem, TrialError, error, listing, warning
from trialkit.trial import Trial
from trialkit.trial_faults import crop_in_bushels


def _column(trial: Trial, plan: PlotPlan, name: str) -> FloatArray:
    values = pd.Series(trial.harvest[name].to_numpy(), index=trial.harvest["plot"].to_numpy())
    return values.reindex(list(plan.plots)).to_numpy(dtype=float)


def _either(metric: FloatArray, other: FloatArray, source: str, target: str) -> FloatArray:
    return np.where(np.isnan(metric), convert(other, source, target), metric)


def bushel_of(trial: Trial) -> float | None:
    """Pounds in a bushel of the crop: as set, or of a crop that is known; else None."""
    crop = crop_in_bushels(trial.crop)
    return trial.settings.bushel_lb or (BUSHELS[crop].lb if crop else None)


def settle_moisture(trial: Trial) -> tuple[Trial, tuple[Problem, ...]]:
    """Set the moisture at which the crop is usually sold, where none is set and it was measured.

    Returns
    -------
    Trial
        With the standard moisture in its settings; as it was where one was set, where moistures
        were not measured, and of crops for which none is known (see `BUSHELS`).
    problems : tuple of Problem
        A warning that says so.
    """
    crop = crop_in_bushels(trial.crop)
    standard = None if crop is None else BUSHELS[crop].standard_moisture_percent
    measured = not trial.harvest.empty and trial.harvest["moisture_percent"].notna().any()
    if trial.settings.standard_moisture_percent is not None or standard is None or not measured:
        return trial, ()
    return trial.with_settings(standard_moisture_percent=standard), (
        warning(
            "moisture-assumed",
            f"Yields were brought to {standard:g} % moisture, at which {crop} is usually sold.",
            "Give standard_moisture_percent in the settings to take another one.",
        ),
    )


def yield_of_plots(trial: Trial, plan: PlotPlan) -> tuple[FloatArray | None, tuple[Problem, ...]]:
    """Bring harvested masses to area, moisture and the yield unit of the settings.

    Returns
    -------
    values : float array, shape (plots,), or None
        None where nothing was weighed.
    problems : tuple of Problem
        Plots whose yield could not be calculated, and why.

    Raises
    ------
    TrialError
        When the yield is to be in bushels and the weight of a bushel is not known.
    """
    if trial.harvest.empty:
        return None, ()
    settings = trial.settings
    mass = _either(
        _column(trial, plan, "harvested_kg"), _column(trial, plan, "harvested_lb"), "lb", "kg"
    )
    area = _either(
        _column(trial, plan, "harvested_area_m2"),
        _column(trial, plan, "harvested_area_ft2"),
        "ft2",
        "m2",
    )
    if trial.plot_area_m2 is not None:
        area = np.where(np.isnan(area), trial.plot_area_m2, area)
    moisture = _column(trial, plan, "moisture_percent")
    unit: YieldUnit = settings.yield_unit  # type: ignore[assignment]
    bushel = bushel_of(trial)
    if unit == "bu/acre" and bushel is None:
        raise TrialError(
            [
                error(
                    "no-bushel",
                    "The yield is to be in bu/acre, and the weight of a bushel is not given.",
                    "Give bushel_lb, the pounds in a bushel of the crop, in the settings.",
                )
            ]
        )
    made = harvested_yield(
        mass,
        area,
        moisture_percent=moisture if settings.standard_moisture_percent is not None else None,
        standard_percent=settings.standard_moisture_percent,
        unit=unit,
        bushel_lb=bushel,
    )
    return made.value, _without_yield(plan, made.reason)


def _without_yield(plan: PlotPlan, reason: np.ndarray) -> tuple[Problem, ...]:
    """One problem a reason, with the plots that it keeps from having a yield."""
    plots: dict[str, list[str]] = {}
    for plot, why in zip(plan.plots, reason, strict=True):
        if why and why != NOT_WEIGHED:
            plots.setdefault(str(why), []).append(plot)
    return tuple(
        warning(
            "no-yield",
            f"The yield of {_named(own, len(plan.plots))} could not be calculated: {why}.",
            "Fill in the harvest table, or give plot_area_m2 in the settings where whole plots "
            "were harvested."
            if "area" in why
            else "Fill in the harvest table, or leave a plot empty where it was not harvested.",
        )
        for why, own in plots.items()
    )


def _named(plots: list[str], number: int) -> str:
    if len(plots) == 1:
        return f"plot {plots[0]}"
    return "all plots" if len(plots) == number else f"plots {listing(plots, 6)}"
