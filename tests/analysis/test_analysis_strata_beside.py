"""What stands beside the tests of split-plot and strip-plot trials."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from trialkit.analysis import analyse
from trialkit.analysis.result import Analysis
from trialkit.findings import make_findings
from trialkit.report.compose import compose
from trialkit.trial import COUNT_COLUMNS, Kind, Trial, Variable, VariableRole

Build = Callable[..., Trial]


def keys(analysis: Analysis) -> set[str]:
    return {table.key for table in compose(analysis, make_findings(analysis)).tables()}


def test_randomisation_of_factors(split_rice: Build, strip_rice: Build) -> None:
    for build in (split_rice, strip_rice):
        analysis = analyse(build())
        p = analysis.anova.set_index("source")["p_randomised"]
        assert p[["main", "sub", "main:sub"]].between(0.0009, 0.03).all()
        assert p.drop(["main", "sub", "main:sub"]).isna().all()
        assert analysis.responses["p_randomised"].iloc[0] == pytest.approx(0.001)
        assert {"factor-randomised", "beside"} <= keys(analysis)
        again = analyse(build())
        np.testing.assert_array_equal(p, again.anova["p_randomised"])


def test_few_arrangements_bound_the_p_value(strip_rice: Build) -> None:
    """Three strips in three blocks have 216 arrangements; six only exchange names of levels."""
    p = analyse(strip_rice()).anova.set_index("source")["p_randomised"]
    assert p["sub"] == pytest.approx(1 / 36, rel=1e-12)


def test_missing_subplots_are_dealt_among_those_present(split_rice: Build) -> None:
    analysis = analyse(split_rice(missing=[("N1", "V2", "2"), ("N4", "V4", "1")]))
    p = analysis.anova.set_index("source")["p_randomised"]
    assert p[["main", "sub", "main:sub"]].between(0.0009, 0.02).all()
    assert analysis.factor_differences["relative_efficiency"].isna().all()
    assert analysis.factor_differences["reason"].str.contains("missing").all()
    assert "factor-efficiency" not in keys(analysis)


def test_efficiency_of_splitting(split_rice: Build, strip_rice: Build) -> None:
    """Rice of Gomez and Gomez 1984; mean squares as in the check of its table, recomputed here."""
    ea, eb, a, b, r = 141967.880555556, 349579.810185185, 6, 4, 3
    e = ((a - 1) * ea + a * (b - 1) * eb) / (a * b - 1)
    analysis = analyse(split_rice())
    found = analysis.factor_differences["relative_efficiency"].tolist()
    df = (r - 1) * (a * b - 1)
    assert found[0] == pytest.approx(e / ea * 11 * (df + 3) / (13 * (df + 1)), rel=1e-9)
    assert found[1] == pytest.approx(e / eb * 37 * (df + 3) / (39 * (df + 1)), rel=1e-9)
    assert found[1] == pytest.approx(found[2], rel=1e-12)
    assert "factor-efficiency" in keys(analysis)
    strips = analyse(strip_rice())
    assert strips.factor_differences["relative_efficiency"].isna().all()
    assert strips.factor_differences["reason"].str.contains("no published formula").all()


def test_a_constant_added_to_a_block_changes_nothing(split_rice: Build) -> None:
    trial = split_rice()
    yields = trial.yields.assign(
        value=trial.yields["value"] + 1000.0 * trial.yields["plot"].str.startswith("2")
    )
    one, two = analyse(trial), analyse(replace(trial, yields=yields))
    np.testing.assert_allclose(one.anova["p_randomised"], two.anova["p_randomised"])
    np.testing.assert_allclose(
        one.factor_differences["relative_efficiency"],
        two.factor_differences["relative_efficiency"],
        rtol=1e-9,
    )


def _with_days(trial: Trial, *, lost: tuple[str, ...] = ()) -> Trial:
    """The plots of a trial with invented counts on four days, one before treatment."""
    rng = np.random.default_rng(12)
    rows = []
    for plot in trial.plots:
        assert plot.main_factor and plot.sub_factor
        level = 20.0 * np.exp(0.1 * rng.normal())
        for day in (-1.0, 3.0, 7.0, 14.0):
            fall = 0.1 * int(plot.sub_factor[1:]) % 7 if day > 0 else 0.0
            value = np.nan if day == 7.0 and plot.id in lost else float(rng.poisson(level - fall))
            rows.append((plot.id, "aphids", day, None, value))
    aphids = Variable(name="aphids", label="Aphids", kind=Kind.COUNT, role=VariableRole.PEST)
    return replace(
        trial,
        counts=pd.DataFrame(rows, columns=list(COUNT_COLUMNS)),
        variables=(*trial.variables, aphids),
    )


@pytest.mark.parametrize("strips", [False, True])
def test_courses_of_factors(split_rice: Build, strip_rice: Build, strips: bool) -> None:
    build = strip_rice if strips else split_rice
    sources = ["main", "sub", "main:sub", "main:day", "sub:day", "main:sub:day"]
    whole = analyse(_with_days(build())).course_tests
    assert list(whole.loc[whole["chosen"].eq(True), "source"]) == sources
    assert len(whole) == 12
    plot = build().plots[10].id
    holes = analyse(_with_days(build(), lost=(plot,)))
    tests = holes.course_tests
    chosen = tests[tests["chosen"].eq(True)]
    assert list(chosen["source"]) == sources
    assert chosen["test"].str.startswith("REML").all()
    assert chosen["p"].between(0, 1).all()
    assert tests["note"].str.contains("left out").sum() == 12
    assert strips or "courses" in keys(holes)


@pytest.mark.parametrize("strips", [False, True])
def test_counts_as_counts(split_rice: Build, strip_rice: Build, strips: bool) -> None:
    trial = _with_days((strip_rice if strips else split_rice)())
    sub = next(plot.sub_factor for plot in trial.plots if plot.treatment != trial.untreated)
    gone = {plot.id for plot in trial.plots if plot.treatment == trial.plots[-1].treatment}
    counts = trial.counts.assign(
        value=trial.counts["value"].where(
            ~(trial.counts["plot"].isin(gone) & (trial.counts["day"] == 14.0)), 0.0
        )
    )
    assert sub
    analysis = analyse(replace(trial, counts=counts))
    tests = analysis.count_tests
    assert list(tests["source"]) == ["treatment", "main", "sub", "main:sub"] * 3
    assert tests["p"].between(0, 1).all()
    models = analysis.count_models
    zero = models[models["mean"] == 0]
    assert set(zero["treatment"]) == {trial.plots[-1].treatment}
    assert zero["lower"].eq(0).all()
    assert zero["upper"].between(0.1, 20).all()
    assert zero["ratio_upper"].between(0.001, 1).all()
    others = models[models["mean"] > 0]
    assert (others["lower"] < others["mean"]).all()
    assert (others["upper"] > others["mean"]).all()
    assert strips or "factor-counts" in keys(analysis)
