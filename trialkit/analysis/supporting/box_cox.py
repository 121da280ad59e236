"""Which power of a variable evens out its scatter: Taylor's law, and the profile of Box and Cox."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from trialkit.analysis.basis import Basis
from trialkit.analysis.plots.responses import FloatArray
from trialkit.inference.checks.box_cox import box_cox
from trialkit.inference.checks.residual_space import layout_basis
from trialkit.trial import Kind

#: Added to counts before a power is taken of them, as for the logarithm.
SHIFT = 1.0


@dataclass(frozen=True, kw_only=True)
class Power:
    """Most likely power of a variable and its limits; NaN where it can't be estimated."""

    power: float
    lower: float
    upper: float


def box_cox_powers(basis: Basis) -> dict[str, Power]:
    """Profile the power of every count and measurement, over all its days at once.

    Counts are taken as count + 1. Each day has treatments and blocks of its own; the scatter is
    taken to be the same on all days, as it is hoped to be on the right scale.
    """
    if basis.tested is None:
        return {}
    responses = [
        item
        for item in basis.responses
        if item.measure != "pest_days" and item.variable.kind is not Kind.PERCENT
    ]
    if not responses:
        return {}
    values = np.column_stack([item.values for item in responses])
    known = np.isfinite(values)
    spaces: dict[bytes, FloatArray] = {}
    for plots in known.T:
        if plots.tobytes() not in spaces:
            spaces[plots.tobytes()] = layout_basis(
                basis.tested.checked_layout, np.flatnonzero(plots)
            )
    shift = np.array([SHIFT if item.variable.kind is Kind.COUNT else 0.0 for item in responses])
    place = {name: i for i, name in enumerate(dict.fromkeys(r.variable.name for r in responses))}
    owner = np.array([place[item.variable.name] for item in responses])
    profile = box_cox(
        values, [spaces[plots.tobytes()] for plots in known.T], together=owner, shift=shift
    )
    return {
        name: Power(
            power=float(profile.power[i]),
            lower=float(profile.lower[i]),
            upper=float(profile.upper[i]),
        )
        for name, i in place.items()
    }


def suggested_powers(choices: pd.DataFrame, profiles: dict[str, Power]) -> dict[str, float]:
    """Power of each variable: 1 - b/2 after Taylor where there is a slope, else Box and Cox."""
    powers = {name: profile.power for name, profile in profiles.items()}
    for name, slope in zip(choices["variable"], choices["slope"], strict=True):
        if np.isfinite(slope):
            powers[name] = 1.0 - slope / 2.0
    return powers
