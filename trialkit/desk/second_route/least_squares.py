"""Least squares of one response through statsmodels, and what it says of means and contrasts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from trialkit.desk.second_route.plots import independent, indicator

#: How far a contrast may lie outside what the plots tell.
_TOLD = 1e-8


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """A fit, and the weights of its means on all columns, of which some were kept.

    Attributes
    ----------
    fit : statsmodels result
    weights : mapping of str to array
        Of each treatment, at equal shares of the groups and the average beside them.
    kept, told : array
        Columns that were fitted, and the projection on what the plots tell.
    """

    fit: Any
    weights: Mapping[str, Any]
    kept: Any
    told: Any

    def known(self, line: Any) -> bool:
        """Whether the plots tell a contrast, however blocks and treatments lie."""
        size = max(1.0, float(np.abs(line).max()))
        return bool(np.abs(line @ self.told - line).max() < _TOLD * size)

    def at(self, line: Any) -> tuple[float, float]:
        """Estimate of a contrast, and its standard error."""
        own = line[self.kept]
        se = float(np.sqrt(own @ self.fit.cov_params() @ own))
        return float(own @ self.fit.params), se


def fit_means(frame: pd.DataFrame, groups: Sequence[Any], beside: Any = None) -> Fit:
    """Fit treatments, groups and perhaps a column of numbers beside them.

    Parameters
    ----------
    frame : DataFrame
        With ``y`` and treatments ``t``.
    groups : sequence of array
        Columns of 0 and 1 of blocks, rows or columns.
    beside : (n, 1) array, optional
        Such as counts before treatment.
    """
    from statsmodels.api import OLS

    further = np.zeros((len(frame), 0)) if beside is None else beside
    names = sorted(frame["t"].astype(str).unique())
    matrix = np.hstack([np.ones((len(frame), 1)), indicator(frame["t"]), *groups, further])
    kept = independent(matrix)
    ends = [1 / part.shape[1] for part in groups for _ in range(part.shape[1])]
    ends += further.mean(axis=0).tolist()
    return Fit(
        fit=OLS(frame["y"].to_numpy(), matrix[:, kept]).fit(),
        weights={
            name: np.array([1.0, *np.eye(len(names))[place], *ends])
            for place, name in enumerate(names)
        },
        kept=kept,
        told=np.linalg.pinv(matrix) @ matrix,
    )
