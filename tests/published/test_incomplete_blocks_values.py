"""Alpha design of spring oats against published and printed answers.

Source: John JA & Williams ER 1995, Cyclic and Computer Generated Designs, Chapman and Hall, p. 146
(book not seen; data and a fit printed by a general-purpose package seen in an open collection);
heritability of .803: Piepho HP & Moehring J 2007, Genetics 177:1881-1888 (as quoted there).
"""

from __future__ import annotations

import numpy as np
import pytest

from trialkit.inference.design.fixed_model import FixedModel
from trialkit.inference.design.layout import factor
from trialkit.inference.normal.incomplete_blocks import incomplete_blocks
from trialkit.inference.normal.mixed import mixed_fit

# 3 replicates of 6 blocks of 4 plots: variety and yield, in the order of the field.
OATS = """
11 4.1172 04 4.4461 05 5.8757 22 4.5784 21 4.654 10 4.1736 20 4.0141 02 4.335
23 4.2323 14 4.7572 16 4.4906 18 3.9737 13 4.253 03 3.342 19 4.7269 08 4.9989
17 4.7876 15 5.0902 07 4.1505 01 5.1202 06 4.7085 12 5.256 24 4.9577 09 3.3986
08 3.9926 20 3.6056 14 4.5294 04 4.3599 24 3.9039 15 4.9114 03 3.7999 23 4.3042
12 5.3127 11 5.1163 21 5.3802 17 5.0744 05 5.1202 09 4.2955 10 4.9057 01 5.7161
02 5.1566 18 5.0988 13 5.484 22 5.0969 19 5.3148 07 4.6297 06 5.1751 16 5.3024
11 3.9205 01 4.6512 14 4.3887 19 4.5552 02 4.051 15 4.6783 09 3.1407 08 3.9821
17 4.3234 18 4.2486 04 4.396 06 4.2474 12 4.1746 13 4.7512 10 4.0875 23 3.8721
21 4.413 22 4.2397 16 4.3852 24 3.5655 03 2.8873 05 4.1972 20 3.7349 07 3.6096
"""
WORDS = OATS.split()
VARIETY = np.array([int(w) - 1 for w in WORDS[::2]])
YIELD = np.array(WORDS[1::2], dtype=float)
BLOCK = np.tile(np.repeat(np.arange(6), 4), 3)
REPLICATE = np.repeat(np.arange(3), 24)


def oats():
    return incomplete_blocks(VARIETY, BLOCK, YIELD, replicate=REPLICATE)


def test_variances():
    fit = oats()
    assert round(fit.block_variance, 5) == 0.06194
    assert round(fit.error_variance, 5) == 0.08523


def test_means_of_three_analyses():
    """Differences of varieties 1 to 6 from the first: complete blocks, intra-block, combined."""
    fit = oats()
    assert fit.complete_blocks is not None
    printed = {
        "complete": [5.201233, 4.552933, 3.381800, 4.439400, 5.103100, 4.749067],
        "intra": [5.268742, 4.665389, 3.803790, 4.728175, 5.225708, 4.618234],
        "combined": [5.146433, 4.517265, 3.537934, 4.528828, 5.075944, 4.575394],
    }
    ours = {
        "complete": fit.complete_blocks.means[:6, 0],
        "intra": fit.intra_block.means[:6, 0],
        "combined": fit.means.estimate[:6],
    }
    for name, means in printed.items():
        # The fit that was printed had settled to about 2e-6.
        wanted = np.array(means) - means[0]
        np.testing.assert_allclose(ours[name] - ours[name][0], wanted, atol=3e-6)


def test_heritability():
    """H2 = sg2 / (sg2 + mean variance of a difference / 2) = .803."""
    model = FixedModel(factors={"rep": factor("rep", REPLICATE)}, terms=(("rep",),))
    random = {"variety": VARIETY, "block": REPLICATE * 6 + BLOCK}
    genetic = mixed_fit(YIELD, model, random=random).variances["variety"]
    for method in ("satterthwaite", "kenward-roger"):
        fit = incomplete_blocks(VARIETY, BLOCK, YIELD, replicate=REPLICATE, method=method)
        heritability = genetic / (genetic + fit.se_difference**2 / 2)
        # The printed figure takes the variances as known; the adjustment costs a little.
        wanted = 0.803 if method == "satterthwaite" else 0.80
        assert heritability == pytest.approx(wanted, abs=0.0006 if wanted == 0.803 else 0.005)


def test_small_blocks_pay():
    fit = oats()
    assert fit.efficiency > 1.2
    assert fit.recovery > 1.0
