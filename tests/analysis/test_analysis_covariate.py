"""Adjustment for the count before treatment: published values, and when it is not made."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from trialkit import trial_from_tables
from trialkit.analysis import analyse
from trialkit.report.compose import compose
from trialkit.trial import (
    Transform,
    Trial,
)

# Cochran WG & Cox GM 1950, Experimental Designs, table 3.1 (Rothamsted 1935): cysts before and
# after, four blocks of twelve plots. Data seen in an open collection; results recomputed.
EELWORM = """
Con0 269,466; See2 283,280; Chl1 252,398; Cym1 212,386; Car1 138,194; Con0 100,219;
Con0 197,421; Cym2 263,379; Car2 282,372; See1 230,256; Con0 216,708; Chl2 145,304;
See1 124,268; Con0 211,505; Car1 194,433; See2 222,408; Con0 102,363; Chl2 193,561;
Car2 128,311; Chl1 42,222; Cym2 162,365; Con0 191,563; Cym1 107,415; Con0 67,338;
See2 193,292; Con0 209,352; See1 109,132; Cym1 153,454; Con0 29,254; Chl2 9,92;
Car2 17,28; Con0 19,106; Car1 23,80; Chl1 19,114; Con0 44,268; Cym2 48,298;
Cym2 95,199; Car2 127,166; See2 80,142; Con0 134,590; See1 107,236; Chl1 89,332;
Cym1 41,176; Con0 74,137; Con0 88,356; Con0 25,212; Chl2 42,308; Car1 62,221
"""


def eelworm() -> Trial:
    rows = []
    for number, part in enumerate(EELWORM.replace("\n", " ").split(";")):
        name, pair = part.split()
        for day, text in zip((0, 90), pair.split(","), strict=True):
            rows.append((f"{number + 1:02d}", number // 12 + 1, name, day, float(text)))
    columns = ["plot", "block", "treatment", "days_after", "cysts"]
    cysts = {"label": "Cysts", "kind": "count", "role": "pest", "transform": "none"}
    keys = {"title": "Eelworms", "design": "rcbd", "untreated": "Con0"}
    return trial_from_tables(
        {**keys, "variables": {"cysts": cysts}}, flat=pd.DataFrame(rows, columns=columns)
    )


def test_eelworm() -> None:
    analysis = analyse(eelworm())
    assert len(analysis.covariate) == 1
    row = analysis.covariate.iloc[0]
    assert row["slope"] == pytest.approx(1.55901044354, rel=1e-10)
    assert row["F"] == pytest.approx(4.15740880949, rel=1e-9)
    assert row["p"] == pytest.approx(0.00142225, rel=1e-5)
    assert row["df_error"] == 35
    assert row["n"] == 48
    # The slope's F is 41.3774378898 on 1 and 35 df.
    assert (row["slope"] / row["se"]) ** 2 == pytest.approx(41.3774378898, rel=1e-9)
    assert row["p_slope"] < 1e-6
    assert row["p_equal_slopes"] > 0.05
    means = analysis.adjusted_means.set_index("treatment")
    assert means.loc["Con0", "mean_adjusted"] == pytest.approx(373.952532, abs=1e-6)
    assert means.loc["See2", "mean_adjusted"] == pytest.approx(177.540352, abs=1e-6)
    assert means.loc["Con0", "se"] == pytest.approx(21.1471804, rel=1e-7)
    assert means.loc["See2", "se"] == pytest.approx(45.1562267, rel=1e-7)


def test_the_tests_themselves_stay_unadjusted() -> None:
    analysis = analyse(eelworm())
    after = analysis.responses[analysis.responses["days_after"] == 90]
    assert after["F"].iloc[0] == pytest.approx(1.3007679594, rel=1e-9)
    made = {table.key: table for table in compose(analysis).tables()}["adjusted"]
    assert made.rows[0][4] == pytest.approx(float(after["p"].iloc[0]))
    assert made.rows[0][5] == pytest.approx(0.00142225, rel=1e-5)
    assert "does not replace" in " ".join(made.notes)


def test_same_scale_as_the_response() -> None:
    """Of natural logarithms F is 4.70669704614; log10 of (x + 1) is close to it."""
    trial = eelworm()
    logged = replace(trial, variables=(replace(trial.variables[0], transform=Transform.LOG),))
    row = analyse(logged).covariate.iloc[0]
    assert row["F"] == pytest.approx(4.70669704614, rel=0.03)
    # Untransformed the slope is 1.56, on logarithms an exponent below one.
    assert 0.3 < row["slope"] < 1.0


def test_nothing_without_a_count_before(product_trial: Callable[..., Trial]) -> None:
    assert analyse(product_trial(days=(3.0, 7.0))).covariate.empty
    assert len(analyse(product_trial()).covariate) == 3


def test_missing_plots_keep_the_order_of_days(product_trial: Callable[..., Trial]) -> None:
    analysis = analyse(product_trial(missing=[("203", 7.0), ("101", 3.0), ("305", 3.0)]))
    assert analysis.covariate["days_after"].tolist() == [3.0, 7.0, 14.0]
    assert analysis.covariate["n"].tolist() == [26.0, 27.0, 28.0]
    days = analysis.adjusted_means["days_after"].to_numpy()
    assert np.all(np.diff(days) >= 0)


def test_constant_counts_before_have_no_slope(product_trial: Callable[..., Trial]) -> None:
    trial = product_trial()
    counts = trial.counts.copy()
    counts.loc[counts["day"] < 0, "value"] = 4.0
    analysis = analyse(replace(trial, counts=counts))
    assert analysis.covariate["slope"].isna().all()
    assert analysis.covariate["p"].isna().all()
