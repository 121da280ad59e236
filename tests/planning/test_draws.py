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

from planning.conftest import neighbours_meet
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
    apart = [x for x in layouts if not neighbours_meet(np.array(x), 3)]
    assert draws.count_blocks(range(3), 3, width=3, apart=True) == len(apart)


def followers(labels: tuple[int, ...], width: int) -> dict[tuple[int, ...], int]:
    """How many orders may follow each order, counted one by one."""
    orders = sorted(set(permutations(labels)))
    masks = np.array(
        [
            [sum(1 << label for label in set(order[column::width])) for column in range(width)]
            for order in orders
        ]
    )
    meet = (masks[:, None, :] & masks[None]).any(axis=2)
    return dict(zip(orders, (~meet).sum(axis=1).tolist(), strict=True))


@pytest.mark.parametrize(("labels", "width"), [((0, 0, 1, 2, 3), 5), ((0, 1, 2, 3), 2)])
def test_restricted_sets_without_a_formula_are_uniform(labels: tuple[int, ...], width: int) -> None:
    # Several untreated plots, or blocks of two rows: the whole layout is thrown away.
    allowed = sum(followers(labels, width).values())
    seen = [
        tuple(
            draws.draw_blocks(np.random.default_rng(s), labels, 2, width=width, apart=True).ravel()
        )
        for s in range(14 * allowed)  # so often that each comes up, but for one run in a thousand
    ]
    uniform(seen, allowed)


def test_orders_that_more_may_follow_come_first_more_often() -> None:
    # Two untreated plots in blocks of two rows: not every order has as many that may follow it,
    # and a draw of one block after the other would not be uniform.
    labels, width, draws_made = (0, 0, 1, 2, 3, 4), 3, 1500
    number = followers(labels, width)
    assert len(set(number.values())) > 1
    by_number: Counter[int] = Counter()
    for s in range(draws_made):
        layout = draws.draw_blocks(np.random.default_rng(s), labels, 2, width=width, apart=True)
        by_number[number[tuple(layout[0].tolist())]] += 1
    total = sum(number.values())
    expected = {n: draws_made * n * list(number.values()).count(n) / total for n in by_number}
    assert sum(expected.values()) == pytest.approx(draws_made)
    observed = [by_number[n] for n in expected]
    assert len(expected) == 1 or stats.chisquare(observed, list(expected.values())).pvalue > 1e-4


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
