"""Which power of a variable evens out its scatter: Taylor's law, and the profile of Box and Cox."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from trialkit.analysis.basis import Basis
from trialkit.analysis.responses import FloatArray, Response
from trialkit.inference.box_cox import box_cox
from trialkit.inference.diagnostics_space import layout_basis
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
    found: dict[str, Power] = {}
    if basis.tested is None:
        return found
    by_name: dict[str, list[Response]] = {}
    for response in basis.responses:
        if response.measure != "pest_days" and response.variable.kind is not Kind.PERCENT:
            by_name.setdefault(response.variable.name, []).append(response)
    spaces: dict[bytes, FloatArray] = {}
    for name, responses in by_name.items():
        values, parts = [], []
        for response in responses:
            known = np.isfinite(response.values)
            key = known.tobytes()
            if key not in spaces:
                spaces[key] = layout_basis(basis.tested.checked_layout, np.flatnonzero(known))
            values.append(response.values[known])
            parts.append(spaces[key])
        shift = SHIFT if responses[0].variable.kind is Kind.COUNT else 0.0
        whole = np.concatenate(values)
        if whole.size and whole.min() + shift > 0:
            profile = box_cox(whole, parts, shift=shift)
            found[name] = Power(
                power=float(profile.power[0]),
                lower=float(profile.lower[0]),
                upper=float(profile.upper[0]),
            )
    return found


def suggested_powers(choices: pd.DataFrame, profiles: dict[str, Power]) -> dict[str, float]:
    """Power of each variable: 1 - b/2 after Taylor where there is a slope, else Box and Cox."""
    powers = {name: profile.power for name, profile in profiles.items()}
    for name, slope in zip(choices["variable"], choices["slope"], strict=True):
        if np.isfinite(slope):
            powers[name] = 1.0 - slope / 2.0
    return powers
