"""Neighbours, edges and Moran's I: levels, power, invariances, edges of what can be asked."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from trialkit.inference.checks.residual_space import basis, residual
from trialkit.inference.comparisons.power import Alternative
from trialkit.inference.permutation.spatial import TakenOut, edge_test, neighbour_test
from trialkit.inference.permutation.spatial_map import adjacency, edge_plots, neighbour_means
from trialkit.inference.permutation.spatial_permutation import detectable_correlation, permuted_rows


class Field:
    """A simulated trial, blocks as rows of the map, with movement between neighbours if wanted."""

    def __init__(self, seed: int, follow: float = 0.0, t: int = 8, b: int = 4) -> None:
        rng = np.random.default_rng(seed)
        self.treatment = np.concatenate([rng.permutation(t) for _ in range(b)])
        self.block = np.repeat(np.arange(b), t)
        self.column = np.tile(np.arange(t), b)
        self.adjacent = adjacency(self.block, self.column)
        survive = np.geomspace(0.05, 1, t)[self.treatment]
        survive = survive * np.exp(0.3 * rng.normal(size=b))[self.block]
        self.before = rng.poisson(40 * survive * rng.gamma(2, 0.5, t * b)).astype(float)
        self.beside = neighbour_means(self.adjacent, self.before)
        mean = 30 * survive * rng.gamma(2, 0.5, t * b) + follow * self.beside
        self.late = rng.poisson(mean).astype(float)
        self.own_past = TakenOut(own_before=self.before, block=self.block)


def test_level_and_power_of_the_neighbour_test() -> None:
    def rejected(follow: float, with_before: bool, trials: int) -> float:
        hits = 0
        for seed in range(trials):
            f = Field(seed, follow)
            found = neighbour_test(
                f.late,
                f.beside,
                f.treatment,
                apart_from=TakenOut(own_before=f.before if with_before else None, block=f.block),
                draws=199,
                seed=seed,
            )
            hits += found.p < 0.05
        return hits / trials

    assert 0.02 < rejected(0.0, False, 300) < 0.085
    assert 0.02 < rejected(0.0, True, 300) < 0.085
    assert rejected(0.5, False, 60) > 0.6


def test_slope_is_the_partial_slope_of_least_squares() -> None:
    f = Field(1, 0.4)
    found = neighbour_test(f.late, f.beside, f.treatment, apart_from=f.own_past, draws=99)
    x, z, y = (np.log10(v + 1) for v in (f.beside, f.before, f.late))
    design = np.column_stack([x, z, np.eye(8)[f.treatment], np.eye(4)[f.block][:, 1:]])
    coefficients = np.linalg.lstsq(design, y, rcond=None)[0]
    assert found.slope == pytest.approx(coefficients[0])
    assert (found.n, found.df) == (32, 32 - design.shape[1])
    assert -1 <= found.correlation <= 1
    assert found.draws == 99


def test_exact_p_of_a_small_trial_by_listing_all_permutations() -> None:
    rng = np.random.default_rng(2)
    treatment = np.repeat([0, 1], 4)
    late, beside = rng.poisson(9.0, 8).astype(float), rng.poisson(9.0, 8).astype(float)
    x, y = np.log10(beside + 1), np.log10(late + 1)
    space = basis(8, [treatment])
    rx = residual(space, x)
    seen = rx @ y
    orders = list(itertools.permutations(range(4)))
    reached = [
        rx @ np.concatenate([y[:4][list(a)], y[4:][list(b)]]) >= seen - 1e-12
        for a in orders
        for b in orders
    ]
    found = neighbour_test(late, beside, treatment, draws=20_000)
    assert found.p == pytest.approx(np.mean(reached), abs=0.012)


def test_every_permutation_is_fitted_anew() -> None:
    """The shortcuts give the p-value of least squares on each permutation."""
    for seed in range(5):
        f = Field(seed, follow=0.2)
        found = neighbour_test(
            f.late, f.beside, f.treatment, apart_from=f.own_past, draws=99, seed=seed
        )
        late, beside, before = (
            np.log10(part + 1.0)[:, None] for part in (f.late, f.beside, f.before)
        )
        levels = [codes[:, None] == np.unique(codes) for codes in (f.treatment, f.block)]
        model = np.hstack([*levels, before]).astype(float)

        def rest(y: np.ndarray, model: np.ndarray = model) -> np.ndarray:
            return y - model @ np.linalg.lstsq(model, y, rcond=None)[0]

        rows = permuted_rows(f.treatment, 99, np.random.default_rng(seed))
        y, x = rest(late)[:, 0], rest(beside)[:, 0]
        drawn = np.column_stack([y, rest(y[rows])])
        correlation = x @ drawn / np.linalg.norm(x) / np.linalg.norm(drawn, axis=0)
        reached = (correlation[1:] >= correlation[0] - 1e-10).sum()
        assert found.correlation == pytest.approx(correlation[0], rel=1e-10)
        assert found.p == (1 + reached) / 100


def test_directions_seed_and_order_of_rows() -> None:
    f = Field(3, 0.5)
    args = (f.late, f.beside, f.treatment)
    up = neighbour_test(*args, seed=1)
    assert neighbour_test(*args, seed=1) == up
    down = neighbour_test(*args, seed=1, alternative="less")
    assert up.p + down.p == pytest.approx(1.0, abs=0.01)
    both = neighbour_test(*args, seed=1, alternative="two-sided")
    assert both.p == pytest.approx(2 * min(up.p, down.p), abs=0.03)
    order = np.random.default_rng(4).permutation(32)
    mixed = neighbour_test(f.late[order], f.beside[order], f.treatment[order], seed=1)
    assert mixed.slope == pytest.approx(up.slope)
    assert mixed.p == pytest.approx(up.p, abs=0.03)


def test_missing_plots_are_left_out() -> None:
    f = Field(5)
    late = f.late.copy()
    late[[3, 9]] = np.nan
    beside = f.beside.copy()
    beside[9] = beside[20] = np.nan
    assert neighbour_test(late, beside, f.treatment).n == 29


def test_reasons_where_nothing_can_be_said() -> None:
    two = np.array([0, 1, 0, 1])
    few = neighbour_test(np.arange(4.0), np.arange(4.0) ** 2, two)
    assert np.isnan([few.slope, few.p, few.detectable]).all()
    assert "few" in few.reason
    treatment = np.repeat([0, 1], 6)
    rng = np.random.default_rng(6)
    alike = neighbour_test(rng.poisson(5.0, 12).astype(float), treatment * 3.0, treatment)
    assert np.isnan(alike.p)
    assert "within" in alike.reason
    zeros = neighbour_test(np.zeros(12), rng.random(12), treatment)
    assert np.isnan(zeros.p)
    assert "alike" in zeros.reason
    with pytest.raises(ValueError, match="negative"):
        neighbour_test(np.full(12, -1.0), np.ones(12), treatment)
    with pytest.raises(ValueError, match="entry"):
        neighbour_test(np.ones(12), np.ones(12), treatment[:5])


def test_edge_effect_is_found_and_measured() -> None:
    rng = np.random.default_rng(7)
    row, column = np.repeat(np.arange(6), 6), np.tile(np.arange(6), 6)
    edge = edge_plots(row, column)
    assert edge.sum() == 20
    slopes, hits, level = [], 0, 0
    for seed in range(120):
        treatment = rng.permutation(np.repeat(np.arange(4), 9))
        y = treatment + rng.normal(size=36)
        found = edge_test(y + 1.5 * edge, edge, treatment, draws=199, seed=seed)
        slopes.append(found.slope)
        hits += found.p < 0.05
        level += edge_test(y, edge, treatment, draws=199, seed=seed).p < 0.05
    assert np.mean(slopes) == pytest.approx(1.5, abs=0.12)
    assert hits / 120 > 0.9
    assert level / 120 < 0.12


def test_edge_without_a_comparison() -> None:
    treatment = np.repeat([0, 1], 5)
    found = edge_test(np.arange(10.0), treatment == 0, treatment)
    assert np.isnan(found.p)
    assert "both" in found.reason
    rng = np.random.default_rng(8)
    edge = np.array([1, 1, 0, 0, 0, 1, 1, 1, 1, 1], dtype=bool)
    assert edge_test(rng.normal(size=10), edge, treatment).n == 5


def test_map() -> None:
    row, column = np.repeat(np.arange(3), 3), np.tile(np.arange(3), 3)
    near = adjacency(row, column)
    assert near.sum(axis=1).tolist() == [2, 3, 2, 3, 4, 3, 2, 3, 2]
    assert (near == near.T).all()
    assert edge_plots(row, column).tolist() == [True] * 4 + [False] + [True] * 4
    values = np.arange(9.0)
    values[1] = np.nan
    means = neighbour_means(near, values)
    assert means[4] == pytest.approx((3 + 5 + 7) / 3)
    assert np.isnan(neighbour_means(near, np.full(9, np.nan))).all()
    assert neighbour_means(near, np.column_stack([values, values]))[:, 1] == pytest.approx(
        means, nan_ok=True
    )
    with pytest.raises(ValueError, match="same row"):
        adjacency(np.array([1, 1]), np.array([2, 2]))


def test_permutations_stay_within_their_groups() -> None:
    group = np.array([2, 0, 1, 0, 2, 2, 1, 0])
    rows = permuted_rows(group, 500, np.random.default_rng(12))
    assert (group[rows] == group[:, None]).all()
    assert (np.sort(rows, axis=0) == np.arange(8)[:, None]).all()
    # Every plot of a group comes to a place equally often.
    shares = [(rows[1] == i).mean() for i in (1, 3, 7)]
    assert shares == pytest.approx([1 / 3] * 3, abs=0.08)


def test_detectable_correlation_has_its_power() -> None:
    rng = np.random.default_rng(13)
    df = 20
    rho = detectable_correlation(df, Alternative.GREATER)
    x = rng.normal(size=df + 2)
    x = (x - x.mean()) / x.std()
    # For a given x the noncentrality is slope * sqrt(Sxx), with Sxx = df + 2 here.
    slope = rho / np.sqrt(1 - rho**2) * np.sqrt((df + 1) / (df + 2))
    y = slope * x[:, None] + rng.normal(size=(df + 2, 4000))
    r = (x @ (y - y.mean(axis=0))) / np.sqrt((x @ x) * ((y - y.mean(axis=0)) ** 2).sum(axis=0))
    from scipy import stats

    t = r * np.sqrt(df) / np.sqrt(1 - r**2)
    assert (t > stats.t.isf(0.05, df)).mean() == pytest.approx(0.8, abs=0.025)
    assert detectable_correlation(60, Alternative.GREATER) < rho
    assert detectable_correlation(df, Alternative.TWO_SIDED) > rho
