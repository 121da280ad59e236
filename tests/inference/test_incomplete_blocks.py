"""Incomplete blocks: limits of complete blocks and of blocks that do not differ."""

from __future__ import annotations

import numpy as np
import pytest

from strata_fits import compare_mixed
from trialkit.inference.design.layout import completely_randomised, randomised_blocks
from trialkit.inference.estimable import NotEstimable
from trialkit.inference.normal import mixed_differences
from trialkit.inference.normal.incomplete_blocks import incomplete_blocks
from trialkit.inference.normal.linear import fit_layout

# 9 treatments in a lattice of 3 x 3, 4 replicates of 3 blocks.
SQUARE = np.arange(9).reshape(3, 3)
LATTICE = np.concatenate(
    [
        SQUARE.ravel(),
        SQUARE.T.ravel(),
        np.array([[SQUARE[i, (i + j) % 3] for i in range(3)] for j in range(3)]).ravel(),
        np.array([[SQUARE[i, (j - i) % 3] for i in range(3)] for j in range(3)]).ravel(),
    ]
)
REPLICATE = np.repeat(np.arange(4), 9)
BLOCK = np.tile(np.repeat(np.arange(3), 3), 4)


def response(seed, blocks):
    rng = np.random.default_rng(seed)
    y = LATTICE + rng.normal(size=36) + 2 * rng.normal(size=4)[REPLICATE]
    return y + blocks * rng.normal(size=12)[REPLICATE * 3 + BLOCK]


def test_lattice_is_balanced():
    fit = incomplete_blocks(LATTICE, BLOCK, response(1, 2.0), replicate=REPLICATE)
    _, _, d = fit.differences()
    assert np.ptp(d.se) < 1e-6 * d.se[0]
    assert fit.treatment.df == 8
    assert fit.se_difference == pytest.approx(float(d.se[0]), rel=1e-9)


def test_blocks_that_differ_much_leave_the_intra_block_analysis():
    y = response(2, 1000.0)
    fit = incomplete_blocks(LATTICE, BLOCK, y, replicate=REPLICATE)
    np.testing.assert_allclose(
        np.diff(fit.means.estimate), np.diff(fit.intra_block.means[:, 0]), atol=1e-3
    )
    assert fit.recovery == pytest.approx(1.0, abs=1e-3)
    assert fit.efficiency > 1000
    assert pytest.approx(float(fit.intra_block.treatment.F[0]), rel=1e-3) == fit.treatment.F


def test_blocks_that_do_not_differ_leave_complete_replicates():
    for seed in range(20):
        fit = incomplete_blocks(LATTICE, BLOCK, response(seed, 0.0), replicate=REPLICATE)
        if fit.block_variance == 0.0:
            break
    assert fit.block_variance == 0.0
    assert fit.complete_blocks is not None
    np.testing.assert_allclose(fit.means.estimate, fit.complete_blocks.means[:, 0], rtol=1e-8)
    assert fit.recovery > 1.0
    # Nothing gained, and a little lost for having estimated the block variance.
    assert 0.75 < fit.efficiency <= 1.0 + 1e-9


def test_complete_blocks_are_the_randomised_block_analysis():
    rng = np.random.default_rng(3)
    t, b = np.tile(np.arange(5), 6), np.repeat(np.arange(6), 5)
    y = rng.normal(size=30) + t + 3 * rng.normal(size=6)[b]
    fit = incomplete_blocks(t, b, y)
    wanted = fit_layout(randomised_blocks(t, b, 5), y)[0]
    assert [x.source for x in fit.terms] == ["treatment"]
    assert pytest.approx(float(wanted.treatment.F[0]), rel=1e-7) == fit.treatment.F
    assert fit.treatment.df_error == pytest.approx(20, rel=1e-6)
    assert fit.recovery == pytest.approx(1.0, rel=1e-6)
    assert np.isnan(fit.efficiency)
    assert fit.complete_blocks is None


def test_blocks_that_do_not_connect_treatments_are_joined_between_blocks():
    """Treatments 0, 1 and 2, 3 never meet: only the random blocks can compare them."""
    rng = np.random.default_rng(4)
    t = np.tile([0, 1, 2, 3], 8)
    b = np.repeat(np.arange(16), 2)
    y = rng.normal(size=32) + rng.normal(size=16)[b]
    fit = incomplete_blocks(t, b, y)
    a, _, d = fit.differences()
    assert np.isfinite(d.se).all()
    assert np.isnan(fit.recovery)
    assert len(a) == 6
    crd = fit_layout(completely_randomised(t, 4), y)[0]
    np.testing.assert_allclose(fit.means.estimate, crd.means[:, 0], rtol=1e-8)


def test_block_numbers_may_start_anew_and_order_does_not_matter():
    y = response(5, 1.5)
    y[[4, 20]] = np.nan
    one = incomplete_blocks(LATTICE, BLOCK, y, replicate=REPLICATE)
    order = np.random.default_rng(5).permutation(36)
    two = incomplete_blocks(
        LATTICE[order], (REPLICATE * 3 + BLOCK)[order], y[order], replicate=REPLICATE[order]
    )
    assert two.block_variance == pytest.approx(one.block_variance, rel=1e-6)
    np.testing.assert_allclose(two.means.estimate, one.means.estimate, rtol=1e-8)
    got = compare_mixed(one.fit, one.means, "dunnett", control=0)
    assert np.isfinite(got.p_adjusted).all()


def test_bad_input_is_refused():
    y = response(6, 1.0)
    with pytest.raises(ValueError, match="same length"):
        incomplete_blocks(LATTICE, BLOCK[:-1], y)
    with pytest.raises(NotEstimable, match="apart"):
        incomplete_blocks(LATTICE, np.arange(36), y)


def test_differences_of_very_many_pairs_are_those_of_few(monkeypatch):
    fit = incomplete_blocks(LATTICE, BLOCK, response(3, 1.0), replicate=REPLICATE)
    _, _, few = fit.differences()
    monkeypatch.setattr(mixed_differences, "_KEPT", 10)
    _, _, many = fit.differences()
    for name in ("estimate", "se", "df", "p"):
        np.testing.assert_allclose(getattr(many, name), getattr(few, name), rtol=1e-9)
