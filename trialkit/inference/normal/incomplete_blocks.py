"""Incomplete blocks (alpha designs, lattices) with recovery of information between blocks.

Blocks too small for all treatments are random: treatments are compared within blocks and, with the
weight that it deserves, also between them.

Source: Patterson HD & Thompson R 1971, Biometrika 58:545-554 (reference from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from trialkit.inference.design.fixed_model import FixedModel
from trialkit.inference.design.layout import Codes, FloatArray, IntArray, factor, randomised_blocks
from trialkit.inference.normal.linear import LinearFit, fit_layout
from trialkit.inference.normal.mixed import Estimates, FixedTest, MixedFit, mixed_fit
from trialkit.inference.normal.mixed_differences import differences, pairs
from trialkit.inference.normal.mixed_variances import DfMethod


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class IncompleteBlocksFit:
    """Incomplete blocks analysed with blocks random, one response.

    Attributes
    ----------
    fit : MixedFit
    terms : tuple of FixedTest
        ``replicate`` (where there are several) and ``treatment``.
    block_variance, error_variance : float
    means : Estimates
        Least-squares means of treatments.
    intra_block : LinearFit
        The same with blocks fixed: no information between blocks.
    complete_blocks : LinearFit or None
        The same with replicates as complete blocks, small blocks ignored.
    se_difference : float
        Root mean square standard error of all differences of two treatments.
    efficiency : float
        Mean variance of a difference with replicates as blocks over that with small blocks; 1.2
        means that small blocks were worth 20 % more plots. NaN without replicates.
    recovery : float
        Mean variance of a difference within blocks only over that with recovery. NaN where
        blocks alone do not connect all treatments.
    """

    fit: MixedFit
    terms: tuple[FixedTest, ...]
    block_variance: float
    error_variance: float
    means: Estimates
    intra_block: LinearFit
    complete_blocks: LinearFit | None
    se_difference: float
    efficiency: float
    recovery: float

    @property
    def treatment(self) -> FixedTest:
        """Test of treatments."""
        return self.terms[-1]

    def differences(self) -> tuple[IntArray, IntArray, Estimates]:
        """All pairs of treatments: codes a < b, and a minus b."""
        a, b = pairs(len(self.means.estimate))
        return a, b, differences(self.fit, self.means, list(a), list(b))


def incomplete_blocks(
    treatment: Codes,
    block: Codes,
    response: FloatArray,
    *,
    replicate: Codes | None = None,
    n_treatments: int | None = None,
    method: DfMethod = "kenward-roger",
) -> IncompleteBlocksFit:
    """Analyse incomplete blocks with recovery of information between blocks.

    Parameters
    ----------
    treatment, block : (n,) codes
        Blocks may be numbered anew in each replicate.
    response : (n,) array
        NaN where a plot is missing.
    replicate : (n,) codes, optional
        Complete replicates that blocks lie in (resolvable designs), fixed.
    n_treatments : int, optional
    method : {"kenward-roger", "satterthwaite"}

    Raises
    ------
    ValueError
        Lengths that differ.
    NotEstimable
        Blocks of one plot each, or too little data for two variances.
    """
    t = factor("treatment", treatment, n_treatments)
    y = np.asarray(response, dtype=np.float64)
    small = np.asarray(block).astype(np.intp)
    groups = np.zeros_like(small) if replicate is None else np.asarray(replicate).astype(np.intp)
    if not y.shape == t.codes.shape == small.shape == groups.shape:
        raise ValueError("treatment, block, replicate and response must have the same length")
    groups = np.unique(groups, return_inverse=True)[1].astype(np.intp)
    keys = np.column_stack([groups, small])
    small = np.unique(keys, axis=0, return_inverse=True)[1].reshape(-1).astype(np.intp)
    factors, terms = {"treatment": t}, [("treatment",)]
    if int(groups.max()) > 0:
        factors["replicate"] = factor("replicate", groups)
        terms.insert(0, ("replicate",))
    model = FixedModel(factors=factors, terms=tuple(terms))
    fit = mixed_fit(y, model, random={"block": small}, method=method)
    means = fit.means("treatment")
    a, b = pairs(t.n_levels)
    variance = _mean(differences(fit, means, list(a), list(b)).se ** 2)
    intra = fit_layout(randomised_blocks(t.codes, small, t.n_levels), y)[0]
    whole = None
    if int(groups.max()) > 0:
        whole = fit_layout(randomised_blocks(t.codes, groups, t.n_levels), y)[0]
    return IncompleteBlocksFit(
        fit=fit,
        terms=fit.anova(),
        block_variance=fit.variances["block"],
        error_variance=fit.variances["error"],
        means=means,
        intra_block=intra,
        complete_blocks=whole,
        se_difference=float(np.sqrt(variance)),
        efficiency=float("nan") if whole is None else _difference_variance(whole) / variance,
        recovery=_difference_variance(intra) / variance,
    )


def _difference_variance(fit: LinearFit) -> float:
    """Mean variance of a difference of two treatments; NaN unless all can be compared."""
    diagonal = np.diagonal(fit.unit_cov)
    a, b = pairs(len(diagonal))
    unit = diagonal[a] + diagonal[b] - 2.0 * fit.unit_cov[a, b]
    return float(unit.mean() * fit.ms_error[0]) if unit.size else float("nan")


def _mean(values: FloatArray) -> float:
    known = values[~np.isnan(values)]
    return float(known.mean()) if known.size else float("nan")
