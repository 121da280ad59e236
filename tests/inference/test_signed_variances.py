"""REML and Kenward-Roger where a variance of strips or main plots falls below zero.

lmer keeps variances at zero or above and gls knows no strips, so the second path is plain algebra
on dense matrices, after Kenward MG & Roger JH 1997, Biometrics 53:983-997 [from memory]; the same
algebra gives what pbkrtest gives where all variances are positive.
"""

from __future__ import annotations

import numpy as np
import pytest

from strata_fits import split_plot_layout, strip_plot_layout
from trialkit.inference.normal.mixed_covariate import mixed_covariate

MAIN, SUB, BLOCK = (codes.ravel() for codes in np.indices((3, 3, 4)))


def indicator(codes):
    return (codes[:, None] == np.unique(codes)).astype(float)


def deviations(codes):
    made = indicator(codes)
    return made[:, :-1] - made[:, -1:]


def reml(X, y, parts):
    """Components by Fisher's scoring, halving steps that leave V not positive definite."""
    theta = np.append(np.zeros(len(parts) - 1), np.var(y))
    for _ in range(200):
        W = np.linalg.inv(sum(t * g for t, g in zip(theta, parts, strict=True)))
        P = W - W @ X @ np.linalg.solve(X.T @ W @ X, X.T @ W)
        score = [y @ P @ g @ P @ y - np.trace(P @ g) for g in parts]
        step = np.linalg.solve([[np.trace(P @ g @ P @ h) for h in parts] for g in parts], score)
        while (
            np.linalg.eigvalsh(sum(t * g for t, g in zip(theta + step, parts, strict=True)))[0] <= 0
        ):
            step /= 2.0
        theta = theta + step
        if np.abs(step).max() < 1e-13 * np.abs(theta).max():
            break
    return theta


def kenward_roger(X, y, parts, theta, L):
    """Estimates, adjusted covariance, denominator df, F."""
    W = np.linalg.inv(sum(t * g for t, g in zip(theta, parts, strict=True)))
    cov = np.linalg.inv(X.T @ W @ X)
    beta = cov @ X.T @ W @ y
    P = [-X.T @ W @ g @ W @ X for g in parts]
    Q = [[X.T @ W @ g @ W @ h @ W @ X for h in parts] for g in parts]
    info = np.array(
        [
            [
                np.trace(W @ g @ W @ h)
                - 2.0 * np.trace(cov @ Q[i][j])
                + np.trace(cov @ P[i] @ cov @ P[j])
                for j, h in enumerate(parts)
            ]
            for i, g in enumerate(parts)
        ]
    )
    C = 2.0 * np.linalg.inv(info)
    pairs = [(i, j) for i in range(len(parts)) for j in range(len(parts))]
    adjusted = cov + 2.0 * cov @ sum(C[i, j] * (Q[i][j] - P[i] @ cov @ P[j]) for i, j in pairs) @ (
        cov
    )
    q = len(L)
    theta_l = L.T @ np.linalg.solve(L @ cov @ L.T, L) @ cov
    turned = [theta_l @ p @ cov for p in P]
    a1 = sum(C[i, j] * np.trace(turned[i]) * np.trace(turned[j]) for i, j in pairs)
    a2 = sum(C[i, j] * np.trace(turned[i] @ turned[j]) for i, j in pairs)
    b = (a1 + 6.0 * a2) / (2.0 * q)
    g = ((q + 1) * a1 - (q + 4) * a2) / ((q + 2) * a2)
    d = 3.0 * q + 2.0 * (1.0 - g)
    c1, c2, c3 = g / d, (q - g) / d, (q + 2.0 - g) / d
    mean = 1.0 / (1.0 - a2 / q)
    variance = 2.0 / q * (1.0 + c1 * b) / ((1.0 - c2 * b) ** 2 * (1.0 - c3 * b))
    df = 4.0 + (q + 2.0) / (q * variance / (2.0 * mean**2) - 1.0)
    estimate = L @ beta
    F = df / (mean * (df - 2.0)) / q * estimate @ np.linalg.solve(L @ adjusted @ L.T, estimate)
    return estimate, L @ adjusted @ L.T, df, F


@pytest.mark.parametrize("strips", [True, False])
@pytest.mark.parametrize("seed", [2, 3, 4])
def test_against_dense_algebra(strips, seed):
    rng = np.random.default_rng(seed)
    n = MAIN.size
    x = rng.normal(size=n)
    y = rng.normal(size=n) + 0.5 * x + 0.4 * MAIN * SUB
    random = {"main_plot": BLOCK * 3 + MAIN}
    if strips:
        random["strip"] = BLOCK * 3 + SUB
    # Little is left of what main plots differ by, so that their variance falls below zero.
    cells = indicator(random["main_plot"])
    y = y - 0.7 * cells @ np.linalg.lstsq(cells, y, rcond=None)[0]
    kept = np.ones(n, dtype=bool)
    kept[rng.choice(n, 3, replace=False)] = False
    main, sub = deviations(MAIN), deviations(SUB)
    both = (main[:, :, None] * sub[:, None, :]).reshape(n, -1)
    X = np.hstack([np.ones((n, 1)), deviations(BLOCK), main, sub, both, x[:, None]])[kept]
    parts = [indicator(codes)[kept] for codes in random.values()]
    parts = [*(z @ z.T for z in parts), np.eye(kept.sum())]
    theta = reml(X, y[kept], parts)
    assert theta[0] < 0.0
    layout = split_plot_layout(MAIN, SUB, blocking=[("block", BLOCK)])
    if len(random) > 1:
        layout = strip_plot_layout(MAIN, SUB, BLOCK)
    fit = mixed_covariate(layout, np.where(kept, y, np.nan), x)
    unit = np.eye(X.shape[1])
    estimate, covariance, df, _ = kenward_roger(X, y[kept], parts, theta, unit[-1:])
    assert fit.slope == pytest.approx(estimate[0], rel=1e-6)
    assert fit.slope_se == pytest.approx(np.sqrt(covariance[0, 0]), rel=1e-6)
    assert fit.slope_df == pytest.approx(df, rel=1e-5)
    for source, columns in (
        ("main", slice(4, 6)),
        ("sub", slice(6, 8)),
        ("main:sub", slice(8, 12)),
    ):
        _, _, df, F = kenward_roger(X, y[kept], parts, theta, unit[columns])
        assert fit.term(source).df_error == pytest.approx(df, rel=1e-5)
        assert pytest.approx(F, rel=1e-6) == fit.term(source).F
    _, _, df, F = kenward_roger(X, y[kept], parts, theta, unit[4:12])
    assert fit.treatments.df_error == pytest.approx(df, rel=1e-5)
    assert pytest.approx(F, rel=1e-6) == fit.treatments.F
