"""One F test of contrasts among means whose errors come from several strata."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from trialkit.inference.design.layout import FloatArray
from trialkit.inference.normal.degrees_of_freedom import SmallSample, f_probability, kenward_roger
from trialkit.inference.normal.stratified import RemlCells, StrataCells, StratifiedFit


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class JointTest:
    """Test that contrasts are all zero, for ``k`` responses.

    Attributes
    ----------
    df : int
        Number of contrasts.
    df_error, F, p : (k,) array
        NaN where undefined; F is scaled as Kenward and Roger do.
    """

    df: int
    df_error: FloatArray
    F: FloatArray
    p: FloatArray


def joint_test(fit: StratifiedFit, rows: FloatArray) -> JointTest:
    """Test contrasts of combination means together, whatever errors they mix.

    Parameters
    ----------
    fit : StratifiedFit
    rows : (q, n_main * n_sub)
        Linearly independent coefficients, the sub level running fastest; each row sums to zero.

    Returns
    -------
    JointTest

    Notes
    -----
    Kenward and Roger's scaled F (Biometrics 53:983-997, 1997; reference from memory), with the
    mean squares of the strata as the variance parameters; exact where the contrasts lie in one
    stratum.
    """
    q, k = len(rows), len(fit.grand_mean)
    df_error, F, p = (np.full(k, np.nan) for _ in range(3))
    for cells in fit._cells:
        for j, column in enumerate(cells.columns):
            found = _strata_test(cells, rows, j) if isinstance(cells, StrataCells) else None
            if isinstance(cells, RemlCells) and cells.fit is not None:
                test = cells.fit.test(rows @ cells.fit.model.grid(("main", "sub"))[1])
                found = (test.F, test.df_error) if test.df == q else None
            if found is not None:
                F[column], df_error[column] = found
                p[column] = f_probability(F[column], q, df_error[column])
    return JointTest(df=q, df_error=df_error, F=F, p=p)


def _strata_test(cells: StrataCells, rows: FloatArray, j: int) -> tuple[float, float] | None:
    lost = np.isnan(cells.means[:, j])
    if (rows[:, lost] != 0).any():
        return None
    beta = np.where(lost, 0.0, cells.means[:, j])
    used = []
    for stratum in cells.strata:
        unit = np.where(np.isnan(stratum.unit_cov), 0.0, stratum.unit_cov)
        mean_sq = float(stratum.mean_sq[j])
        share = np.einsum("qi,ij,qj->q", rows, unit, rows)
        if share.max() <= 1e-12 * float((rows**2).sum(axis=1).max()) * np.abs(unit).max():
            continue
        if stratum.df <= 0 or not mean_sq > 0:
            return None
        used.append((unit, mean_sq, stratum.df))
    if not used:
        return None
    phi = np.sum([unit * mean_sq for unit, mean_sq, _ in used], axis=0)
    spread = np.diag([2.0 * mean_sq**2 / df for _, mean_sq, df in used])
    small = SmallSample(
        phi=phi,
        adjusted=phi,
        slope=np.stack([unit for unit, _, _ in used]),
        expected=spread,
        observed=spread,
    )
    return kenward_roger(rows, beta, small)
