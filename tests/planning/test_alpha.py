"""Alpha designs: resolvable, and as efficient as published designs of their size."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from trialkit.planning.alpha import alpha_design, efficiency_factor, resolvable_bound


@pytest.mark.parametrize(
    ("block_size", "replicates"), [(3, 2), (3, 3), (5, 2), (5, 3), (5, 4), (7, 3)]
)
def test_square_lattices_are_reached(block_size: int, replicates: int) -> None:
    # Efficiency of square lattices: (k + 1)(r - 1) / ((k + 1)(r - 1) + r), Cochran WG & Cox GM
    # 1957, Experimental Designs, chapter 10 [from memory]; simple lattice (k + 1)/(k + 3).
    k, r = block_size, replicates
    published = (k + 1) * (r - 1) / ((k + 1) * (r - 1) + r)
    assert alpha_design(k * k, k, r).efficiency == pytest.approx(published, abs=1e-12)
    assert resolvable_bound(k * k, k, r) == pytest.approx(published, abs=1e-12)


def test_efficiency_of_a_balanced_design() -> None:
    # Seven treatments in seven blocks of three (each pair once): v (k - 1) / (k (v - 1)) = 7/9,
    # Yates F 1936, Ann. Eugenics 7:121-140 [from memory].
    blocks = [np.array([i, (i + 1) % 7, (i + 3) % 7]) for i in range(7)]
    assert efficiency_factor(blocks, 7) == pytest.approx(7 / 9, abs=1e-12)


def test_efficiency_agrees_with_variances_of_differences() -> None:
    # Worked apart: mean variance of a difference from least squares against complete blocks.
    design = alpha_design(12, 4, 3)
    blocks = [block for rep in design.blocks for block in rep]
    rows = [(t, b) for b, block in enumerate(blocks) for t in block]
    X = np.zeros((len(rows), 12 + 9))
    for i, (t, b) in enumerate(rows):
        X[i, t] = X[i, 12 + b] = 1
    cov = np.linalg.pinv(X.T @ X)[:12, :12]
    d = np.diag(cov)
    variance = (d[:, None] + d - 2 * cov)[np.triu_indices(12, 1)].mean()
    assert design.efficiency == pytest.approx((2 / 3) / variance, rel=1e-9)


@settings(max_examples=20)
@given(treatments=st.integers(6, 40), block_size=st.integers(2, 8), replicates=st.integers(2, 4))
def test_designs_are_resolvable(treatments: int, block_size: int, replicates: int) -> None:
    s = -(-treatments // block_size)
    spare = s * block_size - treatments
    assume(block_size < treatments and spare <= s and block_size - (spare > 0) >= 2)
    design = alpha_design(treatments, block_size, replicates)
    for rep in design.blocks:
        assert sorted(np.concatenate(rep)) == list(range(treatments))
        assert {len(block) for block in rep} <= {block_size, block_size - 1}
    assert design.efficiency > 0
    if spare == 0:
        assert design.efficiency <= design.bound + 1e-12


def test_sizes_that_do_not_fit_are_refused() -> None:
    with pytest.raises(ValueError, match="cannot stand"):
        alpha_design(9, 8, 3)
    with pytest.raises(ValueError, match="two replicates"):
        alpha_design(9, 3, 1)
