"""Means of a mixed model, in the terms of every fit: combinations of means, not of coefficients."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from trialkit.inference.design.layout import FloatArray
from trialkit.inference.fit import Contrasts
from trialkit.inference.normal.mixed import FixedTest, MixedFit


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MixedMeans:
    """Least-squares means of one response, which meet the contract of `trialkit.inference.fit`.

    Attributes
    ----------
    fit : MixedFit
    coefficients : (c, P) array
        The means, in columns of the fixed model.
    """

    fit: MixedFit
    coefficients: FloatArray

    @classmethod
    def of(cls, fit: MixedFit, names: Sequence[str]) -> MixedMeans:
        """Means of all combinations of some factors, others weighted equally."""
        return cls(fit=fit, coefficients=fit.model.grid(names)[1])

    def contrasts(self, rows: FloatArray) -> Contrasts:
        """Estimate linear combinations (q, c) of the means: arrays (q, 1)."""
        found = self.fit.contrasts(rows @ self.coefficients)
        return Contrasts(
            estimate=found.estimate[:, None], se=found.se[:, None], df=found.df[:, None]
        )

    def joint(self, rows: FloatArray, source: str = "") -> FixedTest:
        """Test that linear combinations (q, c) of the means are all zero."""
        return self.fit.test(rows @ self.coefficients, source)
