"""What findings read from the table of claims, and words that many of them share."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence

from trialkit.findings.phrases import phrase, series
from trialkit.findings.sentences import Row, Teller, brackets, noun, rows
from trialkit.rows import Tables
from trialkit.trial import Kind, TreatmentRole, Variable, VariableRole, harvest_variable

WHOLE = "whole trial"
#: How many treatments get a sentence of their own where each has one.
MOST_NAMED = 4
#: How many words the names of several treatments may fill.
MOST_WORDS = 8
#: How many ids stand side by side before they are only counted.
MOST_IDS = 12
#: From so many on, all products are called so.
FEW = 3


def claims_of(tables: Tables, question: str, variable: str, scope: str = WHOLE) -> list[Row]:
    """Rows of a question about a variable that have a p-value."""
    found = rows(tables, "claims", question=question, variable=variable, scope=scope)
    return [row for row in found if row.known("p_adjusted")]


def shown_of(
    tables: Tables, question: str, variable: str, direction: str, *, front: bool
) -> list[Row]:
    """What was shown of a question in one direction, on page 1 or at the level of the question."""
    return [
        row
        for row in claims_of(tables, question, variable)
        if row["front" if front else "shown"] is True and row["direction"] == direction
    ]


def variables_of(tables: Tables, *roles: VariableRole) -> Iterator[Variable]:
    """Assessed variables with one of the roles, in the order of the trial."""
    assessed = set(tables["responses"]["variable"])
    for variable in tables.trial.variables:
        if variable.role in roles and variable.name in assessed:
            yield variable


def main_variables(tables: Tables) -> list[Variable]:
    """The pests; where none was counted, the damage they did."""
    pests = list(variables_of(tables, VariableRole.PEST))
    return pests or list(variables_of(tables, VariableRole.DAMAGE))


def yields_of(tables: Tables) -> Iterator[Variable]:
    """Yields that were tested, with the unit in which they are shown."""
    trial = tables.trial
    columns = set(trial.yields["variable"])
    known = {item.name: item for item in trial.variables if item.name in columns}
    for row in rows(tables, "responses", measure="yield"):
        yield known.get(row["variable"]) or harvest_variable(trial)


def of_several_yields(tables: Tables, variable: Variable, text: str) -> str:
    """Put before a sentence which yield it is about, where there are several."""
    if sum(1 for _ in yields_of(tables)) < 2:
        return text
    return phrase("yield.labelled", label=variable.label, text=text)


def reference_of(tables: Tables) -> str | None:
    """The first treatment with the role of a reference."""
    found = (item.id for item in tables.trial.treatments if item.role is TreatmentRole.REFERENCE)
    return next(found, None)


def quantity(number: str, unit: str | None) -> str:
    """Write a number with its unit where one was given."""
    if unit == "%":
        return phrase("level.percent", number=number)
    return phrase("yield.quantity", number=number, unit=unit) if unit else number


def reduction(tables: Tables, variable: Variable, treatment: str) -> tuple[Row, str] | None:
    """Where the size of an effect over the whole trial stands.

    With the test where that allows for the count before treatment, else with pest-days or the one
    day.
    """
    tested = rows(tables, "claims", variable=variable.name, a=treatment, scope=WHOLE)
    found = [row for row in tested if row.known("percent")]
    found = found or rows(
        tables,
        "reductions",
        variable=variable.name,
        measure="pest_days",
        treatment=treatment,
    )
    found = found or rows(
        tables, "control", variable=variable.name, treatment=treatment, chosen=True
    )
    if len(found) == 1 and found[0].known("percent"):
        return found[0], "percent"
    return None


def percent(number: str) -> str:
    """Write a number as a percentage."""
    return phrase("level.percent", number=number)


def reduced_by(say: Teller, variable: Variable, treatment: str) -> tuple[str, str] | None:
    """Write "89%" and its interval, where that leaves out no change.

    An interval that holds no change, as one of pest-days can beside a test that allows for the
    counts before treatment, is not put beside a statement that there was one.
    """
    found = reduction(say.tables, variable, treatment)
    if found is None or not float(found[0][found[1]]) > 0.0 or found[0]["lower"] <= 0.0:
        return None
    number, interval = say.signed(*found, whole=True)
    return percent(number), interval


def range_of(say: Teller, variable: Variable, treatments: list[str]) -> tuple[str, str] | None:
    """Write the smallest and the largest reduction of several treatments."""
    found = [reduction(say.tables, variable, item) for item in treatments]
    known = [item for item in found if item is not None and not item[0]["lower"] <= 0.0]
    known = [item for item in known if float(item[0][item[1]]) > 0.0]
    if len(known) != len(treatments):
        return None
    known.sort(key=lambda item: float(item[0][item[1]]))
    low, high = (say.cite(*item, decimals=0) for item in (known[0], known[-1]))
    return percent(low), percent(high)


def starred(tables: Tables, variable: str, measure: str | None = None) -> bool:
    """Whether a table of comparisons marks a difference from the untreated, or of any pair."""
    wanted = {} if measure is None else {"measure": measure}
    return bool(rows(tables, "comparisons", variable=variable, different=True, **wanted))


def treatments_named(say: Teller, treatments: Sequence[str]) -> str:
    """Name treatments; "all products" where it is all but the untreated and carriers.

    Where names would fill the sentence their ids stand alone: "treatments 3, 4 and 8"; of very
    many only their number.
    """
    products = [
        item.id
        for item in say.tables.trial.treatments
        if item.id != say.tables.trial.untreated and item.role is not TreatmentRole.CARRIER
    ]
    if len(products) >= FEW and set(treatments) == set(products):
        return phrase("words.all_products")
    names = series([say.name(item) for item in treatments])
    if len(treatments) >= FEW and len(names.split()) > MOST_WORDS:
        if len(treatments) > MOST_IDS:
            every = sum(
                item.id != say.tables.trial.untreated for item in say.tables.trial.treatments
            )
            return phrase("words.of_all", number=str(len(treatments)), all=str(every))
        order = [item.id for item in say.tables.trial.treatments if item.id in treatments]
        return phrase("words.numbered", ids=series(order))
    return names


def fewer(key: str, variable: Variable) -> str:
    """Key of a phrase that says less, or fewer of what is counted: larvae, fruits with a larva."""
    things = re.split(r" (?:with|of|in|on|by|per|from) ", noun(variable))[0].split()
    several = any(re.search(r"[^aius]s$", word) for word in things)
    return f"{key}_count" if variable.kind is Kind.COUNT or several else key


def none_shown(say: Teller, key: str, behind: list[Row], variable: Variable) -> str:
    """Write that nothing was shown, with the smallest p-value."""
    least = min(behind, key=lambda row: float(row["p_adjusted"]))
    return phrase(key, noun=noun(variable), brackets=brackets(say.p(least)))
