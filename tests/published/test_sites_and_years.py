"""Sites, years and treatments in one analysis of variance, against statsmodels on the plots.

Source: sums of squares of ``statsmodels.stats.anova.anova_lm`` (type 1) for the model with blocks
within environments; F of treatments with sites and with years by hand from its mean squares.
"""

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from scipy import stats
from statsmodels.stats.anova import anova_lm

from trialkit.inference.pooling.environments import analyse_environments
from trialkit.inference.pooling.trial_contrasts import TrialMeans

SITES, YEARS, TREATMENTS, BLOCKS = 2, 3, 4, 3


def plots() -> pd.DataFrame:
    rng = np.random.default_rng(6)
    rows = [
        {"site": s, "year": y, "block": b, "treatment": t, "yield_": value}
        for s in range(SITES)
        for y in range(YEARS)
        for b in range(BLOCKS)
        for t in range(TREATMENTS)
        for value in [5.0 + s + 0.3 * y * t + 0.2 * s * t + rng.normal(0.0, 0.5)]
    ]
    return pd.DataFrame(rows)


def test_sites_and_years_are_parted_as_on_the_plots():
    frame = plots()
    model = smf.ols("yield_ ~ C(site)*C(year)*C(block) + C(treatment)*C(site)*C(year)", frame)
    table = anova_lm(model.fit())
    trials, site, year = [], [], []
    for (s, y), own in frame.groupby(["site", "year"]):
        table_of = own.pivot_table("yield_", "block", "treatment").to_numpy()
        rest = table_of - table_of.mean(0) - table_of.mean(1, keepdims=True) + table_of.mean()
        df = (TREATMENTS - 1) * (BLOCKS - 1)
        trials.append(
            TrialMeans(
                treatment=np.arange(TREATMENTS),
                mean=table_of.mean(0),
                unit=np.eye(TREATMENTS) / BLOCKS,
                error_variance=float((rest**2).sum() / df),
                df=float(df),
            )
        )
        site.append(s)
        year.append(y)
    crossing = np.array(site), np.array(year)
    found = analyse_environments(trials, own_errors=False, crossing=crossing)
    lines = {line.source: line for line in found.anova if line.error != "error"}
    lines |= {line.source: line for line in found.anova if line.source.endswith("site x year")}
    named = {
        "site": "C(site)",
        "year": "C(year)",
        "site x year": "C(site):C(year)",
        "treatment x site": "C(treatment):C(site)",
        "treatment x year": "C(treatment):C(year)",
        "treatment x site x year": "C(treatment):C(site):C(year)",
    }
    for ours, theirs in named.items():
        assert lines[ours].sum_sq == pytest.approx(table.loc[theirs, "sum_sq"])
        assert lines[ours].df == table.loc[theirs, "df"]
    last = table.loc["C(treatment):C(site):C(year)"]
    for ours in ("treatment x site", "treatment x year"):
        f = table.loc[named[ours], "mean_sq"] / last["mean_sq"]
        assert pytest.approx(f) == lines[ours].F
        assert lines[ours].p == pytest.approx(stats.f.sf(f, lines[ours].df, last["df"]))
    f = last["mean_sq"] / table.loc["Residual", "mean_sq"]
    assert pytest.approx(f) == lines["treatment x site x year"].F
    sources = [line.source for line in found.anova]
    assert sources.index("site") == 1 and sources[-1] == "error"


def test_what_does_not_cross_is_not_parted():
    frame = plots()
    one = TrialMeans(
        treatment=np.arange(2),
        mean=frame["yield_"].to_numpy()[:2],
        unit=np.eye(2) / 3,
        error_variance=1.0,
        df=4.0,
    )
    for crossing in (None, (np.array([0, 0, 1]), np.array([0, 1, 0]))):
        found = analyse_environments([one] * 3, own_errors=False, crossing=crossing)
        assert "site" not in {line.source for line in found.anova}
