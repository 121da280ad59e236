"""The randomisation test: exact in small designs, near F under normal errors, of its level."""

from __future__ import annotations

import itertools
import time

import numpy as np
import pytest

from trialkit.inference.design.layout import completely_randomised, latin_square, randomised_blocks
from trialkit.inference.estimable import NotEstimable
from trialkit.inference.normal.linear import fit_layout
from trialkit.inference.permutation.randomisation import randomisation_test


def _blocks(t: int, b: int, each: int = 1):
    treatment = np.tile(np.repeat(np.arange(t), each), b)
    return randomised_blocks(treatment, np.repeat(np.arange(b), t * each), t)


def _square(t: int):
    row, column = np.divmod(np.arange(t * t), t)
    return latin_square((row + column) % t, row, column, t)


def _f(layout, y):
    return float(fit_layout(layout, y)[0].treatment.F[0])


def test_all_arrangements_of_a_tiny_block_design():
    layout, y = _blocks(3, 3), np.array([1.0, 4.0, 9.0, 2.0, 3.0, 7.5, 0.5, 8.0, 6.0])
    found, reached, number = _f(layout, y), 0, 0
    orders = list(itertools.permutations(range(3)))
    for chosen in itertools.product(orders, repeat=3):
        other = randomised_blocks(np.concatenate(chosen), layout.blocking[0][1], 3)
        reached += _f(other, y) >= found * (1 - 1e-9)
        number += 1
    test = randomisation_test(layout, y)
    assert number == test.arrangements[0] == 216
    assert test.exact.all()
    assert test.F[0] == pytest.approx(found)
    assert test.p[0] == pytest.approx(reached / number, abs=1e-15)
    drawn = randomisation_test(layout, y, draws=200)
    assert not drawn.exact.any()
    assert drawn.p[0] == pytest.approx(test.p[0], abs=4 * np.sqrt(test.p[0] / 200))


def test_all_arrangements_of_unequal_groups():
    treatment, y = np.array([0, 0, 1, 1, 1, 2]), np.array([1.0, 2.5, 4.0, 3.0, 7.0, 9.0])
    layout = completely_randomised(treatment, 3)
    found = _f(layout, y)
    different = set(itertools.permutations(treatment.tolist()))
    reached = [
        _f(completely_randomised(np.array(o), 3), y) >= found * (1 - 1e-9) for o in different
    ]
    test = randomisation_test(layout, y)
    assert test.arrangements[0] == len(different) == 60
    assert test.p[0] == pytest.approx(np.mean(reached), abs=1e-15)


@pytest.mark.parametrize("missing", [None, 5])
def test_all_arrangements_of_a_latin_square(missing):
    layout = _square(4)
    y = np.random.default_rng(3).normal(size=16) + layout.treatment
    if missing is not None:
        y[missing] = np.nan
    found = _f(layout, y)
    plan = layout.treatment.reshape(4, 4)
    orders = [list(o) for o in itertools.permutations(range(4))]
    reached = []
    for rows, columns in itertools.product(orders, orders):
        moved = plan[rows][:, columns].ravel()
        other = latin_square(moved, layout.blocking[0][1], layout.blocking[1][1], 4)
        reached.append(_f(other, y) >= found * (1 - 1e-9))
    test = randomisation_test(layout, y)
    assert test.exact.all()
    assert test.arrangements[0] == 576
    assert test.p[0] == pytest.approx(np.mean(reached), abs=1e-15)


def test_missing_plots_and_several_plots_of_a_treatment_in_a_block():
    layout = _blocks(3, 2, each=2)
    y = np.random.default_rng(4).normal(size=12)
    y[7] = np.nan
    plots = np.flatnonzero(~np.isnan(y))
    found = _f(layout, y)
    block = layout.blocking[0][1][plots]
    parts = [
        set(itertools.permutations(layout.treatment[plots][block == b].tolist())) for b in (0, 1)
    ]
    reached = [
        _f(randomised_blocks(np.array(one + two), block, 3), y[plots]) >= found * (1 - 1e-9)
        for one, two in itertools.product(*parts)
    ]
    test = randomisation_test(layout, y, draws=5000)
    assert test.exact.all()
    assert test.p[0] == pytest.approx(np.mean(reached), abs=1e-15)


@pytest.mark.parametrize("layout", [_blocks(5, 5), _square(5)], ids=["blocks", "square"])
def test_agrees_with_f_under_normal_errors(layout):
    rng = np.random.default_rng(5)
    y = rng.normal(size=(25, 12)) + 0.35 * layout.treatment[:, None] * rng.random(12)
    test = randomisation_test(layout, y, draws=4000)
    treatment = fit_layout(layout, y)[0].treatment
    np.testing.assert_allclose(test.F, treatment.F)
    # The cyclic square of 5 has only 144 different arrangements.
    off = 0.035 if len(layout.blocking) == 1 else 0.1
    assert test.p == pytest.approx(treatment.p, abs=off)
    assert np.corrcoef(test.p, treatment.p)[0, 1] > 0.98


@pytest.mark.parametrize("design", ["plots", "blocks", "square"])
def test_level_with_very_skew_counts(design):
    rng = np.random.default_rng(6)
    layout = {"plots": completely_randomised(np.tile(np.arange(5), 5), 5), "blocks": _blocks(5, 5)}
    chosen = layout.get(design, _square(5))
    # The layout is fixed and errors are exchangeable, which is as good as dealing treatments.
    y = rng.poisson(rng.gamma(0.4, 5.0 / 0.4, (25, 1500))).astype(float)
    y = y * (1.0 + rng.random((25, 1500)))
    p = randomisation_test(chosen, y, draws=199).p
    for level in (0.05, 0.2):
        assert (p <= level).mean() == pytest.approx(level, abs=4 * np.sqrt(level / 1500))


def test_seed_and_company_of_a_response():
    layout, y = _blocks(4, 5), np.random.default_rng(7).normal(size=(20, 3))
    test = randomisation_test(layout, y, seed=3)
    assert test.p.tolist() == randomisation_test(layout, y, seed=3).p.tolist()
    assert test.p.tolist() != randomisation_test(layout, y, seed=4).p.tolist()
    assert randomisation_test(layout, y[:, 1], seed=3).p[0] == test.p[1]
    assert (test.p >= test.smallest_p).all()
    assert test.smallest_p == pytest.approx(1 / 1000)


@pytest.mark.parametrize(("t", "least"), [(3, 1 / 2), (4, 1 / 18)])
def test_smallest_p_of_small_squares(t, least):
    # The largest F that the plots can give belongs to the arrangement the means are made for.
    layout = _square(t)
    y = 10.0 * layout.treatment + np.random.default_rng(1).normal(size=t * t)
    test = randomisation_test(layout, y)
    assert test.exact.all()
    assert test.smallest_p[0] == pytest.approx(least)
    assert test.p[0] == pytest.approx(least)


def test_block_offsets_and_units_change_nothing():
    layout, y = _blocks(4, 5), np.random.default_rng(8).normal(size=(20, 3))
    moved = 7.0 * (y + 1e6 * layout.blocking[0][1][:, None])
    assert randomisation_test(layout, moved).p == pytest.approx(randomisation_test(layout, y).p)


def test_nothing_to_test():
    layout = _blocks(3, 3)
    y = np.ones((9, 3))
    y[:, 1] = np.nan
    y[layout.treatment > 0, 2] = np.nan
    assert np.isnan(randomisation_test(layout, y).p).all()


def test_rows_and_columns_must_cross():
    broken = latin_square([0, 1, 1], [0, 0, 1], [0, 1, 0], 2)
    with pytest.raises(NotEstimable, match="exactly one plot"):
        randomisation_test(broken, np.ones(3))
    with pytest.raises(ValueError, match="at least one"):
        randomisation_test(_blocks(3, 3), np.ones(9), draws=0)


@pytest.mark.bench
def test_time_of_ten_responses():
    layout, y = _blocks(8, 4), np.random.default_rng(9).normal(size=(32, 10))
    start = time.perf_counter()
    randomisation_test(layout, y)
    took = time.perf_counter() - start
    start = time.perf_counter()
    for _ in range(10):
        fit_layout(layout, y)
    print(f"999 arrangements cost {took / (time.perf_counter() - start) * 10:.0f} fits")
