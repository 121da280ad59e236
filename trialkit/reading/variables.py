"""The table of variables: one row a variable, as keys of the settings."""

from __future__ import annotations

from trialkit.reading.cells import Grid, Ledger
from trialkit.reading.plan_columns import tell_no_column, tell_no_id
from trialkit.reading.settings import Entry
from trialkit.reading.tables import make_table


def variable_entries(grid: Grid | None, ledger: Ledger) -> list[Entry]:
    """Turn the table of variables into the keys that it stands for.

    A column is a key of the variable (label, kind, role and so on); what the keys are and which
    values they take is checked where the settings are.
    """
    if grid is None:
        return []
    table = make_table(grid, "variables", ledger, key="variable")
    if table is None:
        return []
    names = table.column("variable")
    if names is None:
        tell_no_column(table, "variable", ledger)
        return []
    entries: list[Entry] = []
    for row in table.rows:
        name = row[names.index - 1]
        if not name.text:
            tell_no_id(name, "This variable has no name.", "variable", table, ledger)
            continue
        entries.append(Entry(("variables", name.text), "", table.place(name), grid.name))
        for column in table.columns:
            cell = row[column.index - 1]
            if column.index == names.index or not cell.text or not column.header:
                continue
            key = column.field or column.header
            entries.append(Entry(("variables", name.text, key), cell, table.place(cell), grid.name))
    return entries
