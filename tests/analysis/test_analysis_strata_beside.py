"""What stands beside the tests of split-plot and strip-plot trials."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from trialkit.analysis import analyse
from trialkit.analysis.result import Analysis
from trialkit.findings import make_findings
from trialkit.report.compose import compose
from trialkit.trial import Trial

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
