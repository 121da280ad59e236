"""Randomisations: valid, and every layout of the allowed set equally likely."""

from __future__ import annotations

from collections import Counter
from collections.abc import Hashable, Sequence
from itertools import permutations, product

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from trialkit.planning import draws


def uniform(seen: Sequence[Hashable], allowed: int) -> None:
    """Every allowed outcome is seen, and a chi-square test finds no preference."""
    counts = Counter(seen)
    assert len(counts) == allowed
    # One in ten thousand would fail by chance; the seeds are fixed, so it fails never or always.
    assert stats.chisquare(list(counts.values())).pvalue > 1e-4


def test_complete_orders_are_uniform() -> None:
    labels = (0, 0, 1, 2)
    seen = [tuple(draws.draw_complete(np.random.default_rng(s), labels)) for s in range(2400)]
    assert draws.count_complete(labels) == 12
    uniform(seen, 12)


def test_blocks_apart_are_uniform_over_all_derangements() -> None:
    allowed = [
        (a, b)
        for a, b in product(permutations(range(4)), repeat=2)
        if all(x != y for x, y in zip(a, b, strict=True))
    ]
    assert draws.count_blocks(range(4), 2, width=4, apart=True) == len(allowed) == 24 * 9
    seen = [
        tuple(draws.draw_blocks(np.random.default_rng(s), range(4), 2, apart=True).ravel())
        for s in range(6000)
    ]
    uniform(seen, len(allowed))


def test_three_blocks_apart_count_as_brute_force_does() -> None:
    layouts = list(product(permutations(range(3)), repeat=3))
    apart = [x for x in layouts if not draws.neighbours_meet(np.array(x), 3)]
    assert draws.count_blocks(range(3), 3, width=3, apart=True) == len(apart)


@pytest.mark.parametrize(
    ("labels", "width"), [((0, 0, 1, 2, 3, 4), 6), ((0, 1, 2, 3), 2), ((0, 0, 1, 2, 3, 4), 3)]
)
def test_restricted_sets_without_a_formula_are_uniform(labels: tuple[int, ...], width: int) -> None:
    # Several untreated plots, or blocks of several rows: the whole layout is thrown away.
    orders = sorted(set(permutations(labels)))
    of_first = {
        first: [x for x in orders if not draws.neighbours_meet(np.array([first, x]), width)]
        for first in orders
    }
    allowed = sum(map(len, of_first.values()))
    assert allowed > 0
    seen = [
        tuple(
            draws.draw_blocks(np.random.default_rng(s), labels, 2, width=width, apart=True).ravel()
        )
        for s in range(3000)
    ]
    # Too many for a test of single layouts: the first order, weighted by how many may follow it.
    firsts = Counter(x[: len(labels)] for x in seen)
    by_size: Counter[int] = Counter()
    for first in orders:
        by_size[len(of_first[first])] += firsts[first]
    expected = {
        size: len(seen) * size * sum(len(v) == size for v in of_first.values()) / allowed
        for size in by_size
    }
    sizes = [size for size in by_size if expected[size] > 0]
    assert sum(by_size[size] for size in by_size if expected[size] == 0) == 0
    if len(sizes) > 1:
        observed = [by_size[size] for size in sizes]
        assert stats.chisquare(observed, [expected[size] for size in sizes]).pvalue > 1e-4
    spots = Counter((i, x) for layout in seen for i, x in enumerate(layout[: len(labels)]))
    share = np.array([[spots[i, x] for i in range(len(labels))] for x in sorted(set(labels))])
    times = np.array([labels.count(x) for x in sorted(set(labels))])[:, None]
    if width == len(labels):  # positions are alike then
        assert (
            stats.chisquare(
                share.ravel(), np.broadcast_to(times * len(seen) / len(labels), share.shape).ravel()
            ).pvalue
            > 1e-4
        )


def test_a_restriction_that_nothing_fulfils_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(draws, "MOST_TRIES", 200)
    with pytest.raises(draws.OutOfReach):
        draws.draw_blocks(np.random.default_rng(1), (0, 0, 0, 1), 2, apart=True)


def test_latin_squares_of_four_are_uniform_over_all_576() -> None:
    # 576 squares of order 4 and 161280 of order 5: McKay & Wanless 2005, Ann. Combin. 9:335-344
    # [from memory]; order 6: 812851200.
    seen = [tuple(draws.draw_latin(np.random.default_rng(s), 4).ravel()) for s in range(11520)]
    assert draws.count_latin(4) == 576
    assert draws.count_latin(5) == 161280
    assert draws.count_latin(6) == 812851200
    uniform(seen, 576)


def test_the_cyclic_class_is_counted_right(monkeypatch: pytest.MonkeyPatch) -> None:
    # Of the 576 squares of order 4 the cyclic one makes 432; all of them must come up.
    monkeypatch.setattr(draws, "LARGEST_LISTED", 3)
    seen = [tuple(draws.draw_latin(np.random.default_rng(s), 4).ravel()) for s in range(8640)]
    assert draws.count_latin(4) == 432
    uniform(seen, 432)


@given(size=st.integers(2, 9), seed=st.integers(0, 2**32))
def test_latin_squares_are_latin(size: int, seed: int) -> None:
    square = draws.draw_latin(np.random.default_rng(seed), size)
    for line in (*square, *square.T):
        assert sorted(line) == list(range(size))


def test_split_plots_are_uniform() -> None:
    seen = []
    for s in range(3000):
        main, sub = draws.draw_split(np.random.default_rng(s), 2, 2, 2)
        seen.append((*main.ravel(), *sub.ravel()))
    uniform(seen, (2 * 2**2) ** 2)


def test_strips_are_uniform() -> None:
    seen = []
    for s in range(3600):
        main, sub = draws.draw_strips(np.random.default_rng(s), 3, 2, 2)
        seen.append((*main.ravel(), *sub.ravel()))
    uniform(seen, (6 * 2) ** 2)
