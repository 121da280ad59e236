"""Every p-value and interval can be computed again from its row: F, t, degrees of freedom."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest
from scipy import special

from trialkit.analysis import Analysis, analyse
from trialkit.trial import Comparison, Trial

Build = Callable[..., Trial]
LOST = (("N1", "V2", "2"), ("N4", "V1", "3"))


@pytest.fixture(scope="module", params=["blocks", "factorial", "split", "split-missing", "strip"])
def analysis(
    request: pytest.FixtureRequest,
    split_rice: Build,
    strip_rice: Build,
    product_trial: Build,
) -> Analysis:
    made = {
        "blocks": lambda: product_trial(comparison=Comparison.LSD),
        "factorial": lambda: product_trial(factors=("product", "rate")),
        "split": split_rice,
        "split-missing": lambda: split_rice(missing=LOST),
        "strip": strip_rice,
    }
    return analyse(made[request.param]())


def test_p_of_f_comes_from_its_row(analysis: Analysis) -> None:
    tested = analysis.anova[analysis.anova["F"].notna()]
    assert len(tested)
    p = special.fdtrc(tested["df"], tested["df_error"], tested["F"])
    np.testing.assert_allclose(tested["p"], p, rtol=1e-9)
    assert analysis.anova.loc[analysis.anova["source"] == "error", "df_error"].isna().all()


def test_intervals_of_means_come_from_their_row(analysis: Analysis) -> None:
    plain = analysis.responses.set_index(["variable", "measure"])["transform"].eq("none")
    means = analysis.means
    kept = [bool(plain[key].all()) for key in zip(means["variable"], means["measure"], strict=True)]
    rows = means[np.array(kept) & means["lower"].notna()]
    half = special.stdtrit(rows["df"], 0.975) * rows["se"]
    np.testing.assert_allclose(rows["lower"], rows["mean_analysed"] - half, rtol=1e-9)


def test_pairs_carry_their_degrees_of_freedom(analysis: Analysis) -> None:
    pairs = pd.concat([analysis.comparisons, analysis.factor_comparisons])
    tested = pairs[pairs["p_adjusted"].notna()]
    assert (tested["df"] >= 1).all()
    # Wherever a procedure adjusts, p is no smaller than that of t alone.
    single = 2.0 * special.stdtr(tested["df"], -np.abs(tested["difference"] / tested["se"]))
    assert (tested["p_adjusted"] >= single * (1 - 1e-9)).all()
    alone = tested["method"] == "lsd"
    np.testing.assert_allclose(tested.loc[alone, "p_adjusted"], single[alone], rtol=1e-9)


def test_levels_of_factors_are_compared_with_their_own_error(split_rice: Build) -> None:
    analysis = analyse(split_rice())
    pairs = analysis.factor_comparisons.set_index(["factor", "a", "b"])
    main, sub = pairs.loc["main"], pairs.loc["sub"]
    assert (len(main), len(sub)) == (15, 6)
    # Four standard errors of the rice trial: 153.8 with 10 df, 197.1 with 36.
    np.testing.assert_allclose(main["se"], 153.822343715, rtol=1e-10)
    np.testing.assert_allclose(sub["se"], 197.084248817, rtol=1e-10)
    np.testing.assert_allclose(main["df"], 10.0, rtol=1e-9)
    np.testing.assert_allclose(sub["df"], 36.0, rtol=1e-9)
    means = analysis.factor_means.set_index(["factor", "level"])["mean_analysed"]
    gap = means["main", "N0"] - means["main", "N3"]
    assert main.loc[("N0", "N3"), "difference"] == pytest.approx(gap)


def test_a_negative_variance_of_main_plots_is_said(split_rice: Build) -> None:
    """Main plots of the rice trial differ less than subplots: Ea is below Eb."""
    (note,) = analyse(split_rice(missing=LOST)).responses["note"]
    assert "analysed by REML; the variance of main plots (-" in note
    assert "below zero" not in analyse(split_rice()).responses["note"].iloc[0]
