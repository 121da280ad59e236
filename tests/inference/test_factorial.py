"""Factorial treatments with an untreated outside: splitting of the sum of squares."""

from __future__ import annotations

import numpy as np
import pytest

from trialkit.inference.design.layout import completely_randomised, randomised_blocks
from trialkit.inference.estimable import NotEstimable
from trialkit.inference.normal.factorial import factorial_treatments, fit_factorial

SUMS = ("marginal", "hierarchical", "sequential")
# Untreated, then 2 products x 3 rates.
PRODUCT = [-1, 0, 0, 0, 1, 1, 1]
RATE = [-1, 0, 1, 2, 0, 1, 2]
TREATMENTS = factorial_treatments([("product", PRODUCT), ("rate", RATE)])
BLOCK, TREATMENT = (i.ravel() for i in np.indices((4, 7)))
LAYOUT = randomised_blocks(TREATMENT, BLOCK, 7)


def response(seed, k=1):
    rng = np.random.default_rng(seed)
    return rng.normal(size=(28, k)) + TREATMENT[:, None] + BLOCK[:, None]


@pytest.mark.parametrize("sums", SUMS)
def test_balanced_parts_add_up_to_treatments(sums):
    y = response(1, k=3)
    (fit,) = fit_factorial(LAYOUT, TREATMENTS, y, sums=sums)
    assert [t.source for t in fit.terms] == [
        "factorial against outside",
        "product",
        "rate",
        "product:rate",
    ]
    assert [t.df for t in fit.terms] == [1, 1, 2, 2]
    np.testing.assert_allclose(sum(t.sum_sq for t in fit.terms), fit.fit.treatment.sum_sq)
    means = y.reshape(4, 7, 3).mean(axis=0)
    untreated, factorial = means[0], means[1:].reshape(2, 3, 3)
    gap = untreated - factorial.mean(axis=(0, 1))
    against = gap**2 / ((1 + 1 / 6) / 4)
    np.testing.assert_allclose(fit.term("factorial against outside").sum_sq, against)
    product = 12 * ((factorial.mean(axis=1) - factorial.mean(axis=(0, 1))) ** 2).sum(axis=0)
    np.testing.assert_allclose(fit.term("product").sum_sq, product)
    np.testing.assert_allclose(fit.term("product").F, product / fit.fit.ms_error)


def test_the_untreated_does_not_touch_main_effects():
    y = response(2)
    (fit,) = fit_factorial(LAYOUT, TREATMENTS, y)
    moved = y + np.where(TREATMENT == 0, 50.0, 0.0)[:, None]
    (again,) = fit_factorial(LAYOUT, TREATMENTS, moved)
    for source in ("product", "rate", "product:rate"):
        np.testing.assert_allclose(again.term(source).sum_sq, fit.term(source).sum_sq, rtol=1e-9)
    assert again.term("factorial against outside").F[0] > 100


def test_missing_plots_marginal_sums_test_the_marginal_means():
    y = response(3)
    y[[3, 9, 20]] = np.nan
    (fit,) = fit_factorial(LAYOUT, TREATMENTS, y)
    assert fit.sums == "marginal"
    rows = fit.level_rows("product")
    gap = fit.fit.contrasts(rows[:1] - rows[1:])
    F = (gap.estimate[0, 0] / gap.se[0, 0]) ** 2
    assert fit.term("product").F[0] == pytest.approx(F, rel=1e-9)
    # Sequential parts still add up, marginal ones need not.
    (seq,) = fit_factorial(LAYOUT, TREATMENTS, y, sums="sequential")
    total = sum(float(t.sum_sq[0]) for t in seq.terms)
    assert total == pytest.approx(float(fit.fit.treatment.sum_sq[0]), rel=1e-9)
    (hier,) = fit_factorial(LAYOUT, TREATMENTS, y, sums="hierarchical")
    last = [f.term("product:rate").sum_sq[0] for f in (fit, seq, hier)]
    assert last == pytest.approx([last[0]] * 3, rel=1e-9)


def test_marginal_means_are_means_of_treatment_means():
    y = response(4)
    y[5] = np.nan
    (fit,) = fit_factorial(LAYOUT, TREATMENTS, y)
    rate = fit.fit.contrasts(fit.level_rows("rate"))
    np.testing.assert_allclose(rate.estimate[1], fit.fit.means[[2, 5]].mean(axis=0))
    cells = fit.fit.contrasts(fit.level_rows("product", "rate"))
    np.testing.assert_allclose(cells.estimate, fit.fit.means[1:])
    np.testing.assert_allclose(cells.se, fit.fit.se[1:])


def test_missing_combination_is_named_and_lowers_the_interaction():
    keep = np.array([0, 1, 2, 3, 4, 5])
    treatments = factorial_treatments(
        [("product", np.array(PRODUCT)[keep]), ("rate", np.array(RATE)[keep])]
    )
    assert treatments.missing() == ((1, 2),)
    used = TREATMENT < 6
    layout = randomised_blocks(TREATMENT[used], BLOCK[used], 6)
    (fit,) = fit_factorial(layout, treatments, response(5)[used])
    assert fit.missing == ((1, 2),)
    assert fit.sums == "hierarchical"
    assert [t.df for t in fit.terms] == [1, 1, 2, 1]
    product = fit.fit.contrasts(fit.level_rows("product")).estimate[:, 0]
    assert np.isnan(product).tolist() == [
        False,
        True,
    ]
    rate = fit.fit.contrasts(fit.level_rows("rate")).estimate[:, 0]
    assert np.isnan(rate).tolist() == [
        False,
        False,
        True,
    ]
    # The same when all its plots are missing.
    y = response(5)
    y[TREATMENT == 6] = np.nan
    (lost,) = fit_factorial(LAYOUT, TREATMENTS, y)
    for one, two in zip(fit.terms, lost.terms, strict=True):
        assert (one.df, one.sum_sq[0]) == (two.df, pytest.approx(two.sum_sq[0], rel=1e-9))


def test_several_treatments_outside():
    """Untreated and a reference outside the factorial: a line for their difference."""
    treatments = factorial_treatments([("a", [-1, -1, 0, 0, 1, 1]), ("b", [-1, -1, 0, 1, 0, 1])])
    rng = np.random.default_rng(6)
    t, b = np.tile(np.arange(6), 3), np.repeat(np.arange(3), 6)
    y = rng.normal(size=18)
    (fit,) = fit_factorial(randomised_blocks(t, b, 6), treatments, y)
    assert [(x.source, x.df) for x in fit.terms] == [
        ("outside", 1),
        ("factorial against outside", 1),
        ("a", 1),
        ("b", 1),
        ("a:b", 1),
    ]
    total = sum(float(x.sum_sq[0]) for x in fit.terms)
    assert total == pytest.approx(float(fit.fit.treatment.sum_sq[0]))
    means = y.reshape(3, 6).mean(axis=0)
    assert fit.term("outside").sum_sq[0] == pytest.approx(3 * (means[0] - means[1]) ** 2 / 2)


def test_doubled_untreated_and_order_of_rows():
    rng = np.random.default_rng(7)
    treatment = np.concatenate([np.repeat(np.arange(7), 3), [0, 0, 0]])
    y = rng.normal(size=24) + treatment
    (fit,) = fit_factorial(completely_randomised(treatment, 7), TREATMENTS, y)
    total = sum(float(x.sum_sq[0]) for x in fit.terms)
    assert total == pytest.approx(float(fit.fit.treatment.sum_sq[0]))
    order = rng.permutation(24)
    (again,) = fit_factorial(completely_randomised(treatment[order], 7), TREATMENTS, y[order])
    for one, two in zip(fit.terms, again.terms, strict=True):
        assert two.F[0] == pytest.approx(one.F[0], rel=1e-9)


def test_constant_response_has_no_tests():
    (fit,) = fit_factorial(LAYOUT, TREATMENTS, np.full(28, 0.1))
    assert all(np.isnan(t.F).all() and t.sum_sq[0] == 0 for t in fit.terms)


def test_wrong_treatments_are_refused():
    with pytest.raises(ValueError, match="at least two factors"):
        factorial_treatments([("a", [0, 1])])
    with pytest.raises(NotEstimable, match="none of others"):
        factorial_treatments([("a", [0, 1, -1]), ("b", [0, 1, 0])])
    with pytest.raises(NotEstimable, match="same combination"):
        factorial_treatments([("a", [0, 0, 1]), ("b", [1, 1, 0])])
    with pytest.raises(ValueError, match="without a gap"):
        factorial_treatments([("a", [0, 2]), ("b", [0, 1])])
    with pytest.raises(NotEstimable, match="fewer than two"):
        factorial_treatments([("a", [0, -1]), ("b", [0, -1])])
    with pytest.raises(ValueError, match="every treatment"):
        fit_factorial(completely_randomised([0, 1], 2), TREATMENTS, np.ones(2))
