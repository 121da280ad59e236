"""Samples within plots: how much plots and samples vary, and what more of either would gain.

Samples are averaged to the plot before treatments are tested; samples are no replicates.
Source: Gomez KA & Gomez AA 1984, Statistical Procedures for Agricultural Research, 2nd ed.
(reference from memory). The general mean square expectations are worked out here.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from trialkit.inference.design.fixed_model import FixedModel
from trialkit.inference.design.layout import Codes, FloatArray, IntArray, Layout, factor
from trialkit.inference.estimable import NotEstimable
from trialkit.inference.fit import Term, mean_square, tested
from trialkit.inference.normal.linear import LinearFit, fit_layout, rounding_zero
from trialkit.inference.normal.mixed import mixed_fit

#: Pairs of samples within plots beyond which variances are found by moments alone: likelihood
#: keeps each pair in memory, and tells no more of so many samples.
MOST_PAIRS = 4e6


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Gain:
    """Standard error of a treatment mean with other numbers, relative to the trial's.

    Attributes
    ----------
    plots, samples : float
        Plots of each treatment, samples of each plot.
    relative_se : (k,) array
        0.9 means a standard error smaller by 10 %. NaN where nothing is known.
    """

    plots: float
    samples: float
    relative_se: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SamplingFit:
    """Variance of plots and of samples within them, for responses with the same plots missing.

    Attributes
    ----------
    columns : (k,) int array
        Which responses.
    fit : LinearFit
        Of plot means: the tests and means of treatments.
    terms : tuple of Term
        Blocking, ``treatment``, ``error`` (plots) and ``sampling``, on the basis of one sample:
        sums of squares of plot means times the (harmonic) mean number of samples. Plots are
        the error of treatments, samples that of plots.
    n_samples : (P, k) int array
        Samples of each plot used.
    plot_variance, sample_variance : (k,) array
        Components; a plot variance below zero is zero. NaN where it can't be estimated.
    method : (k,) array of str
        ``anova`` where all plots have as many samples, else ``reml`` (``moments`` where that
        fails).
    """

    columns: IntArray
    fit: LinearFit
    terms: tuple[Term, ...]
    n_samples: IntArray
    plot_variance: FloatArray
    sample_variance: FloatArray
    method: np.ndarray

    @property
    def plots(self) -> float:
        """Mean number of plots of a treatment (harmonic)."""
        seen = self.fit.n[self.fit.n > 0]
        return float(harmonic(seen[:, None])[0])

    @property
    def samples(self) -> FloatArray:
        """Mean number of samples (k,) of a plot (harmonic)."""
        return harmonic(self.n_samples)

    def gain(self, plots: float, samples: float | None = None) -> Gain:
        """Compare the standard error of a treatment mean with that of other numbers.

        Parameters
        ----------
        plots : float
            Plots of each treatment (blocks).
        samples : float, optional
            Samples of each plot; as in the trial when left out.

        Raises
        ------
        ValueError
            Numbers not above zero.
        """
        if plots <= 0 or (samples is not None and samples <= 0):
            raise ValueError("numbers of plots and samples must be above zero")
        now = (self.plot_variance + self.sample_variance / self.samples) / self.plots
        per_plot = self.samples if samples is None else samples
        then = (self.plot_variance + self.sample_variance / per_plot) / plots
        with np.errstate(invalid="ignore", divide="ignore"):
            ratio = np.sqrt(then / np.where(now > 0, now, np.nan))
        return Gain(
            plots=plots,
            samples=float(np.mean(self.samples)) if samples is None else samples,
            relative_se=ratio,
        )

    def one_more(self) -> tuple[Gain, Gain]:
        """One more sample of each plot, and one more plot of each treatment."""
        samples = float(np.mean(self.samples))
        return self.gain(self.plots, samples + 1.0), self.gain(self.plots + 1.0)


def fit_samples(layout: Layout, plot: Codes, values: FloatArray) -> tuple[SamplingFit, ...]:
    """Analyse samples within plots.

    Parameters
    ----------
    layout : Layout
        Of the plots.
    plot : (N,) codes
        Plot of each sample: its row in the layout.
    values : (N,) or (N, m) array
        NaN where a sample is missing.

    Returns
    -------
    tuple of SamplingFit
        One for each set of missing samples.

    Raises
    ------
    ValueError
        Lengths that differ; a plot that is not in the layout; an infinite value.
    """
    y = np.asarray(values, dtype=np.float64)
    y = y[:, None] if y.ndim == 1 else y
    owner = np.asarray(plot).astype(np.intp)
    if y.ndim != 2 or owner.shape != (len(y),):
        raise ValueError("values must have one row for each sample")
    if owner.size and (int(owner.min()) < 0 or int(owner.max()) >= layout.n_plots):
        raise ValueError("a sample lies in a plot that the layout does not have")
    if np.isinf(y).any():
        raise ValueError("values must be finite, or NaN where a sample is missing")
    counted = ~np.isnan(y)
    n = np.zeros((layout.n_plots, y.shape[1]), dtype=np.intp)
    np.add.at(n, owner, counted)
    total = np.zeros(n.shape)
    level = np.where(counted, y, 0.0).sum(axis=0) / np.maximum(counted.sum(axis=0), 1)
    np.add.at(total, owner, np.where(counted, y - level, 0.0))
    means = np.where(n > 0, total / np.maximum(n, 1), np.nan) + level
    out = []
    patterns, which = np.unique(counted, axis=1, return_inverse=True)
    for number in range(patterns.shape[1]):
        columns = np.flatnonzero(which.reshape(-1) == number)
        fit = fit_layout(layout, means[:, columns])[0]
        out.append(_components(layout, fit, owner, y[:, columns], means[:, columns], columns))
    return tuple(out)


def _components(
    layout: Layout,
    fit: LinearFit,
    owner: IntArray,
    y: FloatArray,
    means: FloatArray,
    columns: IntArray,
) -> SamplingFit:
    k = len(columns)
    counted = ~np.isnan(y[:, 0])
    n = np.bincount(owner[counted], minlength=layout.n_plots)[fit.plots].astype(np.intp)
    inside = y[counted] - means[owner[counted]]
    sum_sq = (inside**2).sum(axis=0)
    sum_sq = np.where(sum_sq <= rounding_zero(y, len(y)), 0.0, sum_sq)
    df = int(n.sum()) - n.size
    sample = mean_square(df, sum_sq)
    mean_n = float(harmonic(n[:, None])[0])
    terms = tuple(_scaled(t, mean_n, sample, df) for t in fit.terms)
    terms += (tested("sampling", df, sum_sq),)
    # Expected error mean square of plot means: plots + samples * sum (1 - leverage) / n / df.
    share = float(((1.0 - fit.leverage) / n).sum()) / fit.df_error if fit.df_error else np.nan
    plots = np.maximum(fit.ms_error - sample * share, 0.0)
    method = np.full(k, "anova", dtype=object)
    if n.size and np.ptp(n) > 0:
        method[:] = "moments"
        for column in range(k if df > 0 and fit.df_error > 0 else 0):
            found = _reml(layout, owner[counted], y[counted, column])
            if found is not None:
                method[column] = "reml"
                plots[column], sample[column] = found
    return SamplingFit(
        columns=columns,
        fit=fit,
        terms=terms,
        n_samples=np.repeat(n[:, None], k, axis=1),
        plot_variance=plots,
        sample_variance=sample,
        method=method,
    )


def _scaled(term: Term, n: float, sample: FloatArray, df: int) -> Term:
    """A line of plot means on the basis of one sample; the plots' error against samples."""
    sum_sq = term.sum_sq * n
    if term.source == "error":
        return tested("error", float(term.df), sum_sq, ("sampling", df, sample))
    return replace(term, sum_sq=sum_sq, mean_sq=term.mean_sq * n)


def _reml(layout: Layout, owner: IntArray, y: FloatArray) -> tuple[float, float] | None:
    if float((np.bincount(owner).astype(float) ** 2).sum()) > MOST_PAIRS:
        return None
    factors = {name: factor(name, codes[owner]) for name, codes in layout.blocking}
    factors["treatment"] = factor("treatment", layout.treatment[owner], layout.n_treatments)
    model = FixedModel(factors=factors, terms=tuple((name,) for name in factors))
    try:
        fit = mixed_fit(y, model, random={"plot": owner}, method="satterthwaite")
    except NotEstimable:
        return None
    return fit.variances["plot"], fit.variances["error"]


def harmonic(n: IntArray) -> FloatArray:
    """Harmonic mean (k,) over rows of counts (P, k) above zero."""
    if not n.size:
        return np.full(n.shape[1], np.nan)
    mean = n.shape[0] / (1.0 / n).sum(axis=0)
    # Exact where all are equal: the number is shown.
    return np.asarray(np.where(n.max(axis=0) == n.min(axis=0), n[0], mean))
