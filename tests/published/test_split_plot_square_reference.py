"""A split-plot with main plots in a Latin square against aov of R.

Recorded in reference_scripts/split_plot_square.txt by the script beside it, invented numbers.
"""

from __future__ import annotations

import ast
from pathlib import Path

import numpy as np
import pytest

from strata_fits import split_plot

TEXT = (Path(__file__).parent / "reference_scripts" / "split_plot_square.txt").read_text(
    encoding="utf-8"
)
ANSWERS = ast.literal_eval("{" + TEXT.replace("NA", "None") + "}")
NAMES = {
    "row": "row of main plots",
    "column": "column of main plots",
    "main": "main of main plots",
    "error_main": "Residuals of main plots",
    "sub": "sub",
    "main:sub": "main:sub",
    "error": "Residuals",
}
ROW, COLUMN, SUB = (i.ravel() for i in np.indices((4, 4, 3)))
MAIN = (ROW + 3 * COLUMN) % 4


def numbers():
    i = np.arange(48)
    base = 50 + 3 * ROW - 2 * COLUMN + 4 * MAIN + 5 * SUB
    return base + (17 * i) % 23 + 1.5 * ((5 * (i // 3)) % 11)


@pytest.mark.parametrize("source", NAMES)
def test_answers(source):
    fit = split_plot(
        MAIN,
        SUB,
        numbers(),
        blocking=[("row", ROW), ("column", COLUMN)],
        main_plot=ROW * 4 + COLUMN,
    )
    term = fit.term(source)
    df, sum_sq, mean_sq, F, p = ANSWERS[NAMES[source]]
    assert term.df[0] == df
    assert term.sum_sq[0] == pytest.approx(sum_sq, rel=1e-10)
    assert term.mean_sq[0] == pytest.approx(mean_sq, rel=1e-10)
    if F is not None:
        assert pytest.approx(F, rel=1e-10) == term.F[0]
        assert term.p[0] == pytest.approx(p, rel=1e-9)
