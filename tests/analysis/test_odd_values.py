"""Values and layouts in which an analysis has little to go by, and still comes through."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from known_truth.field import PEST, randomised_blocks, treatment_list, trial_of
from trialkit import Design, Kind, analyse, make_findings

DAYS = (-1.0, 3.0, 7.0)


def test_a_pest_measured_below_zero_has_no_ratio() -> None:
    rng = np.random.default_rng(3)
    field = randomised_blocks(rng, 4, 4)
    values = rng.normal(1.0, 0.3, (field.plots, 3))
    values[5, 1:] = -4.0
    first, *rest = treatment_list(("Untreated", "A, full", "A, half", "B"))
    rest[0] = replace(rest[0], name="A", rate=2.0, rate_unit="L/ha")
    rest[1] = replace(rest[1], name="A", rate=1.0, rate_unit="L/ha")
    trial = trial_of(field, (first, *rest), DAYS, values, title="Below zero")
    analysis = analyse(replace(trial, variables=(replace(PEST, kind=Kind.MEASUREMENT),)))
    rows = analysis.reductions.query("measure == 'pest_days'")
    assert len(rows) == 4
    assert rows[["lower", "upper"]].isna().all(axis=None)
    make_findings(analysis)


def test_two_treatments_of_which_one_varies_far_more() -> None:
    rng = np.random.default_rng(5)
    field = randomised_blocks(rng, 2, 10)
    spread = np.where(field.treatment == 0, 40.0, 1.0)[:, None]
    values = np.round(np.clip(100.0 + spread * rng.normal(size=(field.plots, 3)), 0.0, None))
    trial = trial_of(field, treatment_list(("Untreated", "A")), DAYS, values, title="Two")
    trial = replace(
        trial, design=Design.CRD, plots=tuple(replace(plot, block=None) for plot in trial.plots)
    )
    analysis = analyse(trial)
    assert analysis.unequal_comparisons["p_adjusted"].notna().sum() == 0
    assert len(analysis.comparisons)
