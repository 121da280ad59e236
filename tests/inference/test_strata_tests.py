"""One F over several strata: exact in one stratum, near its level over two."""

from __future__ import annotations

import numpy as np
import pytest

from strata_fits import split_plot
from trialkit.inference.design.layout import Factor


def layout(a: int, b: int, r: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    main, sub, block = (part.ravel() for part in np.indices((a, b, r)))
    return main, sub, block


def rows_of(a: int, b: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Contrasts of mains, of subs, and of both together."""
    one, two = Factor("a", np.arange(a), a).coding.T, Factor("b", np.arange(b), b).coding.T
    return (
        np.kron(one, np.full((1, b), 1 / b)),
        np.kron(np.full((1, a), 1 / a), two),
        np.kron(one, two),
    )


@pytest.fixture(scope="module")
def drawn() -> np.ndarray:
    rng = np.random.default_rng(7)
    main, _, block = layout(4, 3, 5)
    plots = rng.normal(size=(20, 6))[main * 5 + block]
    return rng.normal(size=(60, 6)) + 1.5 * plots + 0.3 * main[:, None]


def test_one_stratum_is_the_line_of_the_table(drawn: np.ndarray) -> None:
    main, sub, block = layout(4, 3, 5)
    fit = split_plot(main, sub, drawn, blocking=[("block", block)])
    for rows, source in zip(rows_of(4, 3), ("main", "sub", "main:sub"), strict=True):
        test, line = fit.joint(rows), fit.term(source)
        np.testing.assert_allclose(test.F, line.F, rtol=1e-9)
        np.testing.assert_allclose(test.df_error, line.df_error, rtol=1e-8)
        np.testing.assert_allclose(test.p, line.p, rtol=1e-7)


def test_turning_the_contrasts_changes_nothing(drawn: np.ndarray) -> None:
    main, sub, block = layout(4, 3, 5)
    fit = split_plot(main, sub, drawn, blocking=[("block", block)])
    rows = Factor("t", np.arange(12), 12).coding.T
    turn = np.linalg.qr(np.random.default_rng(2).normal(size=(11, 11)))[0]
    one, two = fit.joint(rows), fit.joint(turn @ rows)
    np.testing.assert_allclose(one.F, two.F, rtol=1e-8)
    np.testing.assert_allclose(one.df_error, two.df_error, rtol=1e-7)
    assert one.df == 11


def test_a_missing_subplot_goes_through_reml(drawn: np.ndarray) -> None:
    main, sub, block = layout(4, 3, 5)
    holed = drawn[:, :1].copy()
    holed[7] = np.nan
    rows = Factor("t", np.arange(12), 12).coding.T
    whole = split_plot(main, sub, drawn[:, :1], blocking=[("block", block)]).joint(rows)
    found = split_plot(main, sub, holed, blocking=[("block", block)]).joint(rows)
    assert found.F[0] == pytest.approx(whole.F[0], rel=0.25)
    assert found.df_error[0] < 60


def test_no_error_no_test() -> None:
    main, sub, block = layout(3, 2, 3)
    fit = split_plot(main, sub, np.ones((18, 1)), blocking=[("block", block)])
    test = fit.joint(Factor("t", np.arange(6), 6).coding.T)
    assert np.isnan(test.F).all()
    assert np.isnan(test.p).all()


@pytest.mark.parametrize("ratio", [0.0, 2.0])
def test_level_where_nothing_differs(ratio: float) -> None:
    """Of 2000 null trials 4 to 7 in 100 are rejected at 5 % (standard error 0.5)."""
    rng = np.random.default_rng(12)
    main, sub, block = layout(3, 4, 4)
    y = rng.normal(size=(48, 2000))
    y += np.sqrt(ratio) * rng.normal(size=(12, 2000))[main * 4 + block]
    fit = split_plot(main, sub, y, blocking=[("block", block)])
    share = float(np.mean(fit.joint(Factor("t", np.arange(12), 12).coding.T).p < 0.05))
    assert 0.04 < share < 0.07
