"""Is a printed table possible? Interval arithmetic on rounded means and what stands beside."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from pathlib import Path

from trialkit.desk.audit.granularity import granularity
from trialkit.desk.audit.letters import check_letters
from trialkit.desk.audit.precision import precision
from trialkit.desk.audit.printed_table import read_printed_table
from trialkit.desk.audit.recomputed import check_control, check_repeated, check_sums
from trialkit.desk.audit.spread import check_f_of_spreads, check_spreads
from trialkit.desk.audit.table import Check, Column, PrintedTable, Verdict

__all__ = ["Audit", "Check", "Column", "PrintedTable", "Verdict", "audit_table"]

_ORDER = (Verdict.INCONSISTENT, Verdict.CANNOT_TELL, Verdict.CONSISTENT)


@dataclass(frozen=True, slots=True, kw_only=True)
class Audit:
    """What the arithmetic says of a printed table.

    Examples
    --------
    >>> import trialkit
    >>> from trialkit.desk.audit import PrintedTable
    >>> trialkit.audit_table(PrintedTable(name="Table 2", columns=())).checks
    ()

    Attributes
    ----------
    name : str
    checks : tuple of Check
        Inconsistent ones first, then those that cannot be told, then consistent ones.
    """

    name: str
    checks: tuple[Check, ...]

    def of(self, verdict: Verdict) -> tuple[Check, ...]:
        """Checks of one verdict."""
        return tuple(check for check in self.checks if check.verdict is verdict)

    @property
    def counts(self) -> Counter[Verdict]:
        """How many checks there are of each verdict."""
        return Counter(check.verdict for check in self.checks)


def audit_table(table: PrintedTable | Path | str) -> Audit:
    """Ask whether the numbers of a printed table can belong together.

    Parameters
    ----------
    table : PrintedTable, Path or str
        A path is read as ``trialkit audit --help`` says.

    Returns
    -------
    Audit
        ``inconsistent`` says that no values which round to the printed ones fit; why, only the
        author can say. Where the table leaves open how it was made, the arithmetic cannot tell.

    Raises
    ------
    TrialError
        When the file cannot be read as a printed table.

    Examples
    --------
    >>> import trialkit
    >>> from trialkit.desk.audit import Column, PrintedTable
    >>> from trialkit.desk.audit.rounding import read_printed
    >>> column = Column(name="day 7", day=7.0, means={"1": read_printed("3.30")},
    ...                 numbers={"n": read_printed("4")}, words={"kind": "count"})
    >>> found = trialkit.audit_table(PrintedTable(name="Table 2", columns=(column,)))
    >>> found.checks[0].verdict.value
    'inconsistent'
    """
    if not isinstance(table, PrintedTable):
        table = read_printed_table(Path(table))
    checks: list[Check] = []
    for column in table.columns:
        checks += granularity(column)
        checks += check_letters(column)
        checks += precision(column)
        checks += check_spreads(column)
        checks += check_f_of_spreads(column)
    checks += [*check_control(table), *check_sums(table), *check_repeated(table)]
    checks.sort(key=lambda check: (_ORDER.index(check.verdict), not check.question))
    return Audit(name=table.name, checks=tuple(checks))
