"""Letters: two means share one just when they do not differ, and none can be spared."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import trialkit.inference.comparisons.letters as module
from trialkit.inference.comparisons.letters import letters
from trialkit.inference.design.layout import BoolArray, FloatArray


def _marks(text: str, long: bool = False) -> set[str]:
    """Letters of one mean; ``long`` where there are more than 26 of them in all."""
    return set(text.split(".")) if long else set(text)


def _sets(found: tuple[str, ...], long: bool = False) -> dict[str, set[int]]:
    groups: dict[str, set[int]] = {}
    for index, text in enumerate(found):
        for mark in _marks(text, long) if text else ():
            groups.setdefault(mark, set()).add(index)
    return groups


def _check(different: BoolArray, means: FloatArray, long: bool = False) -> tuple[str, ...]:
    found = letters(different, means)
    known = [i for i in range(len(means)) if not np.isnan(means[i])]
    for i in range(len(means)):
        assert bool(found[i]) == (i in known)
    for i, j in combinations(known, 2):
        assert bool(_marks(found[i], long) & _marks(found[j], long)) == (not different[i, j])
    if known:
        assert "a" in _marks(found[max(known, key=lambda i: means[i])], long)
    groups = _sets(found, long)
    # Letters without gaps, and none can be spared: each is all that joins some pair, or is the
    # only letter of a mean.
    assert sorted(groups, key=lambda mark: (len(mark), mark)) == module._marks(len(groups))
    for mark, group in groups.items():
        rest = [other for name, other in groups.items() if name != mark]
        alone = any(not any(i in other for other in rest) for i in group)
        joined = any(
            not any({i, j} <= other for other in rest) for i, j in combinations(sorted(group), 2)
        )
        assert alone or joined
        # No mean could be added to the line of a letter.
        for i in set(known) - group:
            assert any(different[i, j] for j in group)
    return found


def _fewest(different: BoolArray) -> int:
    """Fewest letters that will do, by trying all choices of maximal sets."""
    t = len(different)
    good = [
        set(group)
        for size in range(1, t + 1)
        for group in combinations(range(t), size)
        if not any(different[i, j] for i, j in combinations(group, 2))
    ]
    largest = [g for g in good if not any(g < other for other in good)]
    pairs = [{i, j} for i in range(t) for j in range(i, t) if not different[i, j] or i == j]
    for size in range(1, len(largest) + 1):
        for choice in combinations(largest, size):
            if all(any(pair <= group for group in choice) for pair in pairs):
                return size
    raise AssertionError


@st.composite
def _patterns(draw: st.DrawFn, largest: int = 9) -> tuple[BoolArray, FloatArray]:
    """Any symmetric pattern of differences, also such as follow no order, and any means."""
    t = draw(st.integers(1, largest))
    flags = draw(st.lists(st.booleans(), min_size=t * (t - 1) // 2, max_size=t * (t - 1) // 2))
    different = np.zeros((t, t), dtype=bool)
    different[np.triu_indices(t, 1)] = flags
    means = draw(st.lists(st.one_of(st.integers(-3, 3), st.just(np.nan)), min_size=t, max_size=t))
    return different | different.T, np.array(means, dtype=float)


@settings(max_examples=300, deadline=None)
@given(pattern=_patterns())
def test_letters_say_what_the_comparisons_say(pattern: tuple[BoolArray, FloatArray]) -> None:
    _check(*pattern)


@settings(max_examples=60, deadline=None)
@given(pattern=_patterns())
def test_sets_grown_one_by_one_say_the_same(pattern: tuple[BoolArray, FloatArray]) -> None:
    before = module.MOST_SETS
    try:
        module.MOST_SETS = 0
        _check(*pattern)
    finally:
        module.MOST_SETS = before


@settings(max_examples=150, deadline=None)
@given(pattern=_patterns(largest=5))
def test_as_few_letters_as_will_do(pattern: tuple[BoolArray, FloatArray]) -> None:
    different, _ = pattern
    found = letters(different, np.arange(len(different), dtype=float))
    assert len(_sets(found)) == _fewest(different)


@settings(max_examples=100, deadline=None)
@given(pattern=_patterns(), seed=st.integers(0, 1000))
def test_order_of_treatments_changes_nothing(
    pattern: tuple[BoolArray, FloatArray], seed: int
) -> None:
    different, _ = pattern
    rng = np.random.default_rng(seed)
    means = rng.permutation(len(different)).astype(float)
    order = rng.permutation(len(different))
    shuffled = letters(different[np.ix_(order, order)], means[order])
    assert shuffled == tuple(letters(different, means)[i] for i in order)


@settings(max_examples=100, deadline=None)
@given(
    means=st.lists(st.integers(0, 60), min_size=1, max_size=12),
    limit=st.integers(1, 30),
)
def test_one_limit_gives_unbroken_lines(means: list[int], limit: int) -> None:
    values = np.array(means, dtype=float)
    found = _check(np.abs(values[:, None] - values) > limit, values)
    order = np.argsort(-values, kind="stable")
    for group in _sets(found).values():
        places = np.flatnonzero([i in group for i in order])
        assert np.ptp(places) == len(group) - 1


def test_no_difference_is_one_letter() -> None:
    assert letters(np.zeros((3, 3), dtype=bool), np.array([1.0, 3.0, 2.0])) == ("a", "a", "a")


def test_all_different_in_order_of_means() -> None:
    different = ~np.eye(4, dtype=bool)
    assert letters(different, np.array([2.0, 9.0, 1.0, 5.0])) == ("c", "a", "d", "b")


def test_more_than_26_letters() -> None:
    found = _check(~np.eye(60, dtype=bool), np.arange(60.0)[::-1], long=True)
    assert found[25:28] == ("z", "aa", "ab")
    assert found[52:54] == ("ba", "bb")
    # Marks of two characters are kept apart from each other.
    chain = np.abs(np.arange(60)[:, None] - np.arange(60)) > 1
    found = _check(chain, np.arange(60.0)[::-1], long=True)
    assert found[0] == "a"
    assert found[27] == "aa.ab"


def test_an_order_that_is_none() -> None:
    # Largest and smallest alike, both unlike the middle (its standard error was small).
    different = np.array([[0, 1, 0], [1, 0, 1], [0, 1, 0]], dtype=bool)
    assert _check(different, np.array([9.0, 5.0, 1.0])) == ("a", "b", "a")


def test_many_means_stay_quick() -> None:
    # Complete opposites: pairs that differ only from their partner would give 2^30 sets.
    different = np.zeros((60, 60), dtype=bool)
    pairs = np.arange(0, 60, 2)
    different[pairs, pairs + 1] = different[pairs + 1, pairs] = True
    found = letters(different, np.arange(60.0))
    long = any("." in text for text in found)
    for i, j in combinations(range(60), 2):
        assert bool(_marks(found[i], long) & _marks(found[j], long)) == (not different[i, j])


def test_nothing_to_mark() -> None:
    assert letters(np.zeros((0, 0), dtype=bool), np.zeros(0)) == ()
    assert letters(np.zeros((2, 2), dtype=bool), np.full(2, np.nan)) == ("", "")


def test_a_pattern_that_is_not_symmetric_is_refused() -> None:
    with pytest.raises(ValueError, match="symmetric"):
        letters(np.array([[False, True], [False, False]]), np.array([1.0, 2.0]))
    with pytest.raises(ValueError, match="symmetric"):
        letters(np.zeros((2, 2), dtype=bool), np.zeros(3))
