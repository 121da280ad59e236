"""Checks of assumptions, their recommendations, and what the trial could have shown."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from trialkit.analysis import analyse
from trialkit.findings import make_findings
from trialkit.report.compose import compose
from trialkit.report.document import Notes, Paragraph
from trialkit.trial import Comparison, Transform, Trial

Build = Callable[..., Trial]


def test_every_response_has_every_check(product_trial: Build) -> None:
    analysis = analyse(product_trial())
    table = analysis.diagnostics
    assert len(table) == 6 * len(analysis.responses)
    for row in analysis.responses.to_dict("records"):
        own = table[table["days_after"].eq(row["days_after"]) & table["measure"].eq(row["measure"])]
        if row["measure"] == "count":
            assert next(iter(own["check"])) == "equal scatter"
    judged = table[table["verdict"].notna()]
    assert set(judged["verdict"]) <= {"fine", "doubtful", "failed", "not available"}
    known = judged[judged["p"].notna()]
    below = known["p"] < 0.01
    assert (known["verdict"].eq("failed") == below).all()


def test_the_same_seed_gives_the_same_checks(product_trial: Build) -> None:
    one, two = analyse(product_trial()), analyse(product_trial())
    pd.testing.assert_frame_equal(one.diagnostics, two.diagnostics)
    other = analyse(product_trial(seed=5, alpha=0.1))
    assert other.responses["F"].tolist() == one.responses["F"].tolist()


def test_a_wild_plot_is_named(product_trial: Build) -> None:
    trial = product_trial()
    counts = trial.counts.copy()
    hit = (counts["plot"] == "302") & (counts["day"] == 7.0)
    counts.loc[hit, "value"] = 900.0
    analysis = analyse(replace(trial, counts=counts))
    rows = analysis.diagnostics
    named = rows[(rows["days_after"] == 7.0) & (rows["check"] == "outlying plot")]
    assert named["verdict"].iloc[0] == "failed"
    assert named["plot"].iloc[0] == "302"
    residuals = analysis.residuals[analysis.residuals["days_after"] == 7.0]
    worst = residuals.loc[residuals["studentized"].abs().idxmax()]
    assert worst["plot"] == "302"
    assert worst["studentized"] == pytest.approx(named["statistic"].iloc[0])
    text = " ".join(
        item
        for block in compose(analysis).blocks()
        if isinstance(block, Notes)
        for item in block.items
    )
    assert "plot 302" in text


def _uneven(product_trial: Build, transform: Transform) -> Trial:
    """Counts whose spread grows with the mean, analysed on a scale that does not even it out."""
    trial = product_trial(days=(3.0, 7.0, 14.0), blocks=6)
    rng = np.random.default_rng(8)
    treatment = {plot.id: plot.treatment for plot in trial.plots}
    block = {plot.id: int(plot.block or 0) for plot in trial.plots}
    order = [item.id for item in trial.treatments]
    counts = trial.counts.copy()
    counts["value"] = [
        float(
            np.round(
                3.0
                * 2.0 ** order.index(treatment[plot])
                * 1.3 ** block[plot]
                * np.exp(rng.normal(0, 0.4))
            )
        )
        for plot in counts["plot"]
    ]
    return replace(
        trial,
        counts=counts,
        variables=(replace(trial.variables[0], transform=transform),),
    )


def test_failed_checks_recommend_and_switch_nothing(product_trial: Build) -> None:
    analysis = analyse(_uneven(product_trial, Transform.NONE))
    assert analysis.choices["transform"].tolist() == ["none"]
    assert analysis.choices["recommendation"].tolist() == ["try log"]
    failed = analysis.diagnostics[analysis.diagnostics["verdict"] == "failed"]
    assert {"equal scatter", "additivity"} & set(failed["check"])
    document = compose(analysis)
    words = " ".join(block.text for block in document.blocks() if isinstance(block, Paragraph))
    assert "No method was changed" in words
    notes = [
        item
        for block in document.blocks()
        if isinstance(block, Notes)
        for item in block.items
        if "log transform may help" in item
    ]
    assert len(notes) == 1
    assert any(item.topic == "doubts" for item in make_findings(analysis))


def test_the_recommended_scale_quietens_the_checks(product_trial: Build) -> None:
    analysis = analyse(_uneven(product_trial, Transform.LOG))
    assert analysis.choices["recommendation"].tolist() == ["keep"]
    assert abs(analysis.choices["power"].iloc[0]) < 0.35
    assert analysis.choices["power_lower"].iloc[0] < 0.0 < analysis.choices["power_upper"].iloc[0]


def test_significant_difference_is_that_of_the_procedure(product_trial: Build) -> None:
    analysis = analyse(product_trial(comparison=Comparison.LSD))
    row = analysis.responses.iloc[1]
    # t with 18 df at 5 % is 2.10092204.
    expected = 2.10092204 * np.sqrt(2 * row["ms_error"] / 4)
    assert row["significant_difference"] == pytest.approx(expected, rel=1e-8)
    dunnett = analyse(product_trial(comparison=Comparison.DUNNETT)).responses.iloc[1]
    tukey = analyse(product_trial()).responses.iloc[1]
    assert expected < dunnett["significant_difference"] < tukey["significant_difference"]
    # What is detected rests on Dunnett's procedure whichever is chosen.
    assert row["detectable_difference"] == pytest.approx(dunnett["detectable_difference"])
    assert dunnett["detectable_difference"] > dunnett["significant_difference"]


def test_stepwise_procedures_have_no_single_difference(product_trial: Build) -> None:
    rows = analyse(product_trial(comparison=Comparison.SNK)).responses
    assert rows["significant_difference"].isna().all()
    assert rows["detectable_difference"].notna().all()
    rows = analyse(product_trial(comparison=Comparison.NONE)).responses
    assert rows["detectable_difference"].isna().all()


def test_detectable_reduction_is_a_percentage(product_trial: Build) -> None:
    rows = analyse(product_trial()).responses
    after = rows[rows["days_after"] > 0]
    assert after["detectable_percent"].between(5, 100).all()
    assert rows[rows["days_after"] < 0]["detectable_percent"].isna().all()


def test_efficiency_only_where_there_are_blocks(product_trial: Build) -> None:
    from trialkit.trial import Design

    assert analyse(product_trial()).responses["relative_efficiency"].notna().all()
    free = analyse(product_trial(design=Design.CRD)).responses
    assert free["relative_efficiency"].isna().all()


def test_checks_of_split_plots_are_those_of_subplots(split_rice: Build) -> None:
    analysis = analyse(split_rice())
    assert len(analysis.residuals) == 72
    inside = analysis.residuals.assign(main=analysis.residuals["plot"].str[:3])
    sums = inside.groupby("main")["residual"].sum()
    assert np.abs(sums).max() < 1e-6
    error = analysis.anova.set_index("source").loc["error", "sum_sq"]
    assert (inside["residual"] ** 2).sum() == pytest.approx(error, rel=1e-10)


def test_no_variation_is_no_crash(product_trial: Build) -> None:
    trial = product_trial()
    counts = trial.counts.copy()
    counts["value"] = 0.0
    analysis = analyse(replace(trial, counts=counts))
    assert set(analysis.diagnostics["verdict"].dropna()) == {"not available"}
    assert set(analysis.responses["recommendation"]) == {"not assessed"}
    assert analysis.choices["power"].isna().all()
    compose(analysis, make_findings(analysis))
