"""Recorded numbers beside those of the second route, and how far they may lie apart."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

#: Differences below this are rounding and quadrature.
AGREES = 1e-6
#: Integrals over several variables by drawing (scipy), of Dunnett.
DRAWN = 2e-3
#: A dispersion, or a variance between units, that both routes search for by themselves.
SEARCHED = 2e-3

#: How a difference is measured where it is not as a share.
_UNITS: Mapping[str, str] = {
    "p": "difference",
    "p_adjusted": "difference",
    "p_slope": "difference",
    "different": "difference",
    "percent": "difference, points",
    "difference": "difference in standard errors",
    "mean_analysed": "difference in standard errors",
    "letters": "pairs told apart otherwise",
    "dispersion": "difference",
    "variance_plots": "difference, as a share of all variance",
    "variance_blocks": "difference, as a share of all variance",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class TableAgreement:
    """How far one column of one recorded table is from the second route.

    Attributes
    ----------
    table, column : str
    compared : int
        Numbers that both give.
    largest : float
        Largest difference: of p-values and percentages as it is, of means and their differences
        in standard errors, of all else as a share.
    where : str
        Row of the largest.
    allowed : float
        Largest that counts as agreement.
    """

    table: str
    column: str
    compared: int
    largest: float
    where: str
    allowed: float = AGREES

    @property
    def agrees(self) -> bool:
        """Whether the largest difference is no more than the two ways of computing leave."""
        return self.largest <= self.allowed

    @property
    def measured_by(self) -> str:
        """What ``largest`` is, in words."""
        return _UNITS.get(self.column, "relative difference")


@dataclass(frozen=True, slots=True, kw_only=True)
class SecondRoute:
    """Outcome of the second route.

    Attributes
    ----------
    tables : tuple of TableAgreement
    cannot : tuple of str
        What the libraries do not fit, or what they would need our own arithmetic for.
    """

    tables: tuple[TableAgreement, ...]
    cannot: tuple[str, ...]

    @property
    def same(self) -> bool:
        """Whether something was compared, and all of it agrees."""
        return bool(self.tables) and all(item.agrees for item in self.tables)


@dataclass(slots=True)
class Tally:
    """What was compared so far, and what could not be."""

    worst: dict[tuple[str, str], TableAgreement] = field(default_factory=dict)
    cannot: dict[str, None] = field(default_factory=dict)

    def note(
        self,
        table: str,
        column: str,
        recorded: object,
        found: float,
        where: str,
        *,
        unit: float = 0.0,
        allowed: float = AGREES,
    ) -> None:
        """Compare one number; where either route gives none, nothing is compared.

        Parameters
        ----------
        table, column : str
            Of the record.
        recorded : object
            Number of the record, or None.
        found : float
            Number of the second route.
        where : str
            Row.
        unit : float
            What the difference is divided by; the larger of both where it is 0.
        allowed : float
            Largest difference, so divided, that counts as agreement.
        """
        if not isinstance(recorded, int | float) or not math.isfinite(found * unit):
            return
        size = unit or max(abs(recorded), abs(found), 1e-9)
        gap = abs(float(recorded) - found) / size
        known = self.worst.get((table, column))
        farther = known is None or gap / allowed > known.largest / known.allowed
        self.worst[table, column] = TableAgreement(
            table=table,
            column=column,
            compared=1 + (known.compared if known else 0),
            largest=gap if known is None or farther else known.largest,
            where=where if known is None or farther else known.where,
            allowed=allowed if known is None or farther else known.allowed,
        )

    def skip(self, text: str) -> None:
        """Say once what could not be compared, and why."""
        self.cannot[text] = None
