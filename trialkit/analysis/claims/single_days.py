"""Single days behind a treatment that was shown to do something: tests of each day on its own."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from scipy import special

from trialkit.analysis.basis import Basis
from trialkit.analysis.claims.questions import against, below_target
from trialkit.analysis.claims.whole_courses import after_treatment, levels_by_day

#: P-values of a treatment on a day: of no difference, and of control at or below the target.
DayTests = Mapping[tuple[str, float], tuple[float, float]]


def day_tests(basis: Basis, variable: str) -> DayTests:
    """Test every treatment on every day after treatment, each against the untreated by t.

    On the same scale, with the same variances and covariate as over all days. P-values are single
    and unadjusted. That of the target is one-sided and only for counts, where a difference of
    logarithms is a share left. Empty with larger units.
    """
    plan = basis.plan
    items = [item for item in basis.assessed if item.variable.name == variable]
    if not items or plan.untreated is None or plan.units:
        return {}
    item, found = items[0], {}
    places = after_treatment(item)
    levels = levels_by_day(item, places)
    for j, place in enumerate(places):
        made = against(basis, item, levels[:, j], plan.untreated)
        single = 2.0 * special.stdtr(made.df, -np.abs(made.difference) / made.se)
        target = below_target(basis, item, made)
        for code, name in enumerate(plan.treatments):
            found[name, float(item.days[place])] = float(single[code]), float(target[code])
    return found
