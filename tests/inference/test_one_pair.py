"""One treatment against the control in many responses: as Dunnett's procedure has it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from planning.conftest import factor_treatments, make_protocol
from trialkit.analysis.plots.layout_of_trial import plan_plots
from trialkit.inference.comparisons.methods import Method
from trialkit.inference.comparisons.one_pair import told_from_control
from trialkit.inference.comparisons.procedures import compare
from trialkit.inference.normal.linear import fit_layout
from trialkit.inference.normal.stratified import fit_strata
from trialkit.planning import plan_trial


@pytest.mark.parametrize("design", ["rcbd", "split-plot", "strip-plot"])
@pytest.mark.parametrize("between", [0.1, 1.0])
def test_bounds_leave_dunnett_as_it_is(design: str, between: float) -> None:
    protocol = make_protocol(design, 6)
    if design != "rcbd":
        protocol = replace(protocol, treatments=factor_treatments(2, 3), untreated="C1:P1")
    plan = plan_plots(plan_trial(protocol, seed=1).trial)
    rng = np.random.default_rng(2)
    values = rng.normal(size=(len(plan.plots), 16)) + 2.5 * (plan.treatment == 4)[:, None]
    for codes in plan.units:
        values += between * rng.normal(size=(codes.max() + 1, 16))[codes]
    fit = fit_strata(plan.layout, values) if plan.units else fit_layout(plan.layout, values)[0]
    rows = plan.layout.weights
    whole = compare(fit, Method.DUNNETT, rows=rows, control=0)
    for code in (4, 1)[: 1 + (not plan.units)]:
        expected = whole.different[int(np.flatnonzero(whole.a == code)[0])]
        found = told_from_control(fit, rows, code, 0)
        assert found.tolist() == expected.tolist()
    assert whole.different[whole.a == 4].any()
