"""Quadratic forms of rows with few entries are those of any rows."""

from __future__ import annotations

import numpy as np
import pytest

from trialkit.inference.numerics.quadratic import quadratic_forms


@pytest.mark.parametrize("entries", [0, 1, 2, 4, 7, 30])
def test_few_entries_or_many(entries):
    rng = np.random.default_rng(entries)
    rows = np.zeros((50, 30))
    for row in rows:
        row[rng.choice(30, rng.integers(0, entries + 1), replace=False)] = rng.normal()
    matrices = rng.normal(size=(3, 30, 30))
    expected = np.einsum("mi,kij,mj->km", rows, matrices, rows)
    np.testing.assert_allclose(quadratic_forms(rows, matrices), expected, atol=1e-12)
    np.testing.assert_allclose(quadratic_forms(rows, matrices[0]), expected[0], atol=1e-12)
