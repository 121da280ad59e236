"""Alpha designs that the planning makes against published designs of the same size."""

from __future__ import annotations

import pytest

from published.test_incomplete_blocks_values import BLOCK, REPLICATE, VARIETY
from trialkit.planning.alpha import alpha_design, efficiency_factor


def test_spring_oats_of_a_handbook() -> None:
    # 24 varieties in 3 replicates of 6 blocks of 4: the layout of John JA & Williams ER 1995,
    # Cyclic and Computer Generated Designs, p. 146 (book not seen, its layout in an open
    # collection). The layout made here is exactly as efficient.
    blocks = [
        VARIETY[(block == BLOCK) & (rep == REPLICATE)] for rep in range(3) for block in range(6)
    ]
    published = efficiency_factor(blocks, 24)
    assert published == pytest.approx(0.726488, abs=5e-7)  # recomputed, not printed
    assert alpha_design(24, 4, 3).efficiency >= published - 1e-12


@pytest.mark.parametrize(
    ("side", "replicates", "missed"),
    [(4, 2, 0.0), (5, 2, 0.0), (6, 2, 0.0), (5, 3, 0.0), (4, 3, 0.009), (6, 3, 0.0015)],
)
def test_rectangular_lattices(side: int, replicates: int, missed: float) -> None:
    # Upper bound for s (s - 1) treatments in blocks of s - 1, which rectangular lattices reach:
    # John & Williams 1995, chapter 2.8, as the source text of an open collection of block designs
    # has it (seen; book not seen). An alpha design need not be a lattice: ``missed`` says by how
    # much the best one found stays below it.
    s, r = side, replicates
    k, v = s - 1, s * (s - 1)
    z = 1 / (r * k - s)
    u = z / (s * (r - 1))
    bound = (v - 1) / (v - 1 + r * k * (k * z + (r - s) * u))
    found = alpha_design(v, k, r).efficiency
    assert found <= bound + 1e-12
    assert found >= bound - missed - 1e-12
