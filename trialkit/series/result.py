"""The analysis of a series: what was read, what was matched, and every table of it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

import pandas as pd

from trialkit.problems import Problem
from trialkit.series.matched import Matched, SeriesTrial
from trialkit.series.options import SeriesOptions
from trialkit.trial import TreatmentRole

if TYPE_CHECKING:
    from trialkit.findings import Finding


@dataclass(frozen=True, slots=True, kw_only=True)
class SeriesInput:
    """Where one trial of a series was read from.

    Attributes
    ----------
    key : str
        Of the trial in the series.
    source : str
        File or folder as it was given; of one table with several trials also which of them.
    kind : {"trial", "record", "part"}
    files : tuple of (str, str)
        Name and SHA-256 of each file that the trial was read from; of a record those that it
        names, since they are what the trial was read from.
    digest : str
        SHA-256 of all of them together, by which two series know the same trial.
    left_out : str
        Why it was left out; empty where it takes part.
    """

    key: str
    source: str
    kind: str
    files: tuple[tuple[str, str], ...]
    digest: str
    left_out: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class TreatmentFacts:
    """What the trials say of one treatment, where they say the same.

    Attributes
    ----------
    role : TreatmentRole
    rate : float or None
        None where trials differ, or none is given.
    rate_unit : str
    groups : tuple of str
        Groups of mode of action, one for each application where several are named.
    product : str
        Treatments of one product differ in their rate; empty where the trials name none.
    """

    role: TreatmentRole = TreatmentRole.TEST
    rate: float | None = None
    rate_unit: str = ""
    groups: tuple[str, ...] = ()
    product: str = ""


@dataclass(frozen=True, kw_only=True, eq=False)
class SeriesAnalysis:
    """Everything computed for several trials together.

    Attributes
    ----------
    title : str
    options : SeriesOptions
        As given in ``series.toml`` or in Python.
    matched : Matched
        Trials, treatments and variables of the series, and what every trial gave to it.
    tables : mapping of str to DataFrame
        By name, with the columns of `trialkit.analysis.schema.SERIES_TABLES`; each is an
        attribute too (``series.combined_control``).
    inputs : tuple of SeriesInput
        Also of trials that were left out.
    problems : tuple of Problem
        Warnings: what could not be matched, and what trials could not give.
    findings : tuple of Finding
        The sentences, the weightiest first.
    facts : mapping of str to TreatmentFacts
        By the name of the treatment in the series.
    crop : str
        Where all trials name the same.

    Examples
    --------
    >>> import trialkit
    >>> series = trialkit.combine(trialkit.example_series("bean_aphids"), jobs=1)
    >>> len(series.trials), series.combined_control["treatment"].nunique()
    (5, 5)
    """

    title: str
    options: SeriesOptions
    matched: Matched
    tables: Mapping[str, pd.DataFrame] = field(default_factory=lambda: MappingProxyType({}))
    inputs: tuple[SeriesInput, ...] = ()
    problems: tuple[Problem, ...] = ()
    findings: tuple[Finding, ...] = ()
    facts: Mapping[str, TreatmentFacts] = field(default_factory=lambda: MappingProxyType({}))
    crop: str = ""

    if TYPE_CHECKING:

        def __getattr__(self, name: str) -> pd.DataFrame: ...

    else:

        def __getattr__(self, name: str) -> Any:
            tables = self.__dict__.get("tables", {})
            if name in tables:
                return tables[name]
            raise AttributeError(f"a series has no table or attribute {name!r}")

    def __dir__(self) -> list[str]:
        return sorted({*super().__dir__(), *self.tables})

    def __repr__(self) -> str:
        filled = sum(not table.empty for table in self.tables.values())
        return (
            f"<SeriesAnalysis of {self.title!r}: {len(self.trials)} trials, "
            f"{len(self.matched.treatments)} treatments, {filled} tables have rows>"
        )

    def _repr_html_(self) -> str:
        # The answer is told by the room after this one, so it is fetched when it is asked for.
        from trialkit.series_summaries import series_html

        return series_html(self)

    def summary(self) -> str:
        """Write the first page of the report: its sentences and the table at a glance.

        Returns
        -------
        str
            Lines of at most 80 characters.

        Examples
        --------
        >>> import trialkit
        >>> series = trialkit.combine(trialkit.example_series("bean_aphids"), jobs=1)
        >>> series.summary().splitlines()[0]
        'Aphids in field beans'
        """
        from trialkit.series_summaries import series_lines

        return "\n".join(series_lines(self))

    @property
    def trials(self) -> tuple[SeriesTrial, ...]:
        """The trials that take part, in the order of every table."""
        return self.matched.trials
