"""Shares of very many items in strata, beside R (``reference_scripts/share_strata.R``).

Where plots are known without chance and differ by little, logits are normal with equal variances:
strata of logits, a mixed model with Kenward and Roger's degrees of freedom, a quasi-binomial within
main plots and the beta-binomial analysis must say the same but for terms of order spread.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from scipy import special

from strata_fits import two_factor_layout
from trialkit.inference.design.layout import Layout
from trialkit.inference.glm.share_strata import ShareStrata, share_strata
from trialkit.inference.glm.share_strata_limits import share_levels

ANSWERS = Path(__file__).parent / "reference_scripts" / "share_strata.txt"
BLOCK, MAIN, SUB = (i.ravel() for i in np.indices((4, 3, 3)))
PLOT, STRIP = 3 * BLOCK + MAIN, 3 * BLOCK + SUB


def _answers() -> list[list[str]]:
    return [line.split() for line in ANSWERS.read_text(encoding="utf-8").splitlines()]


def _data() -> tuple[np.ndarray, np.ndarray]:
    logit = -0.4 + 0.02 * BLOCK + 0.01 * MAIN - 0.015 * SUB + 0.01 * np.sin(7 * np.arange(36) + 1)
    logit = logit + 0.02 * np.cos(5 * PLOT + 2) + 0.015 * np.sin(11 * STRIP + 3)
    items = np.full((36, 1), 1e8)
    return np.round(items * special.expit(logit)[:, None]), items


def _fit(design: str) -> ShareStrata:
    units = {"main": PLOT, "sub": STRIP} if design == "strips" else {"main": PLOT}
    layout = two_factor_layout(MAIN, SUB, blocking=[("block", BLOCK)], units=units)
    return share_strata(layout, *_data())


@pytest.mark.parametrize("design", ["split", "strips", "glm"])
def test_f_of_each_stratum(design: str) -> None:
    terms = {term.source: term for term in _fit(design).terms}
    lines = [words for words in _answers() if words[:2] == [design, "F"]]
    assert len(lines) == (2 if design == "glm" else 3)
    for _, _, source, value, df in lines:
        # The quasi-binomial has weights of its own, which move by a hundredth here.
        close = 1e-2 if design == "glm" else 5e-3
        assert terms[source].F[0] == pytest.approx(float(value), rel=close)
        assert terms[source].df_error[0] == float(df)


@pytest.mark.parametrize("design", ["split", "strips"])
def test_odds_to_the_first_combination(design: str) -> None:
    """Estimate, standard error and degrees of freedom, taken back from the limits."""
    layout = Layout(treatment=3 * MAIN + SUB, n_treatments=9, blocking=(("block", BLOCK),))
    found = share_levels(_fit(design), layout, *_data(), base=0)
    lines = [words for words in _answers() if words[:2] == [design, "contrast"]]
    assert len(lines) == 8
    for _, _, k, *numbers in lines:
        estimate, se, df = (float(number) for number in numbers)
        logs = [
            float(np.log(part[int(k), 0]))
            for part in (found.odds, found.odds_lower, found.odds_upper)
        ]
        assert logs[0] == pytest.approx(estimate, abs=1e-4)  # order of the spread squared
        half = special.stdtrit(df, 0.975) * se
        assert (logs[2] - logs[1]) / 2 == pytest.approx(half, rel=5e-3)
        p = 2 * special.stdtr(df, -abs(estimate) / se)
        assert found.p[int(k), 0] == pytest.approx(p, rel=2e-2)
