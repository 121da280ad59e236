"""Findings about what a treatment did beside the counts: areas, enemies, crop and yield."""

from __future__ import annotations

from collections.abc import Iterator

from trialkit.findings.pest import MOST_NAMED, variables_of
from trialkit.findings.sentences import Finding, Row, Style, Teller, rows, series
from trialkit.rows import Tables
from trialkit.trial import Variable, VariableRole, harvest_variable


def _different(tables: Tables, name: str, measure: str) -> list[Row]:
    """Comparisons with the untreated that Dunnett's procedure declared, largest first."""
    found = rows(
        tables,
        "comparisons",
        variable=name,
        measure=measure,
        method="dunnett",
        b=tables.trial.untreated,
        different=True,
    )
    return sorted(found, key=lambda row: -abs(float(row["difference"])))


def _untested(tables: Tables, name: str, measure: str) -> bool:
    """Whether no comparison with the untreated could be made, as where no plots differ."""
    found = rows(
        tables,
        "comparisons",
        variable=name,
        measure=measure,
        method="dunnett",
        b=tables.trial.untreated,
    )
    return not any(row.known("p_adjusted") for row in found)


def _mean(tables: Tables, name: str, measure: str, treatment: object) -> Row | None:
    found = rows(tables, "means", variable=name, measure=measure, treatment=treatment)
    return found[0] if found and found[0].known("mean") else None


def _with_means(say: Teller, name: str, measure: str, different: list[Row]) -> str:
    parts = []
    for row in different[:MOST_NAMED]:
        mean = _mean(say.tables, name, measure, row["a"])
        shown = f" ({say.cite(mean, 'mean')})" if mean is not None else ""
        parts.append(say.name(row["a"]) + shown)
    if len(different) > MOST_NAMED:
        parts.append(f"{len(different) - MOST_NAMED} more")
    return series(parts)


def area_findings(tables: Tables) -> Iterator[Finding]:
    """Pest-days of the whole period, against the untreated."""
    for variable in variables_of(tables, VariableRole.PEST):
        own = _mean(tables, variable.name, "pest_days", tables.trial.untreated)
        if own is None:
            continue
        say = Teller(tables)
        untreated = f"the untreated ({say.cite(own, 'mean')})"
        fewer = [
            row for row in _different(tables, variable.name, "pest_days") if row["difference"] < 0
        ]
        text = f"{variable.label}: over the whole period "
        if fewer:
            text += (
                f"fewer pest-days than {untreated} were shown for "
                f"{_with_means(say, variable.name, 'pest_days', fewer)}."
            )
        elif _untested(tables, variable.name, "pest_days"):
            text += f"whether treatments differ from {untreated} in pest-days could not be tested."
        else:
            text += f"no treatment could be shown to have fewer pest-days than {untreated}."
        yield say.finding("pest-days", text)


def enemy_findings(tables: Tables) -> Iterator[Finding]:
    """By how much natural enemies differed from the untreated over the whole period, and class."""
    for variable in variables_of(tables, VariableRole.NATURAL_ENEMY):
        own = _mean(tables, variable.name, "pest_days", tables.trial.untreated)
        if own is None:
            continue
        say = Teller(tables)
        different = [row["a"] for row in _different(tables, variable.name, "pest_days")]
        changed = {
            row["treatment"]: row
            for row in rows(tables, "reductions", variable=variable.name, measure="pest_days")
            if row.known("percent") and row["treatment"] in different
        }
        if not changed:
            yield say.finding("natural enemies", _harmless(say, variable))
            continue
        fewer = sorted(
            (row for row in changed.values() if row["percent"] > 0),
            key=lambda row: -float(row["percent"]),
        )
        parts = [
            f"{say.cite(row, 'percent', Style.PERCENT)} % fewer with "
            f"{say.name(row['treatment'])}{say.interval(row, Style.PERCENT)}, "
            f"{row['harm_class']} in the field scheme of the IOBC"
            for row in fewer[:MOST_NAMED]
        ]
        if len(fewer) > MOST_NAMED:
            parts.append(f"{len(fewer) - MOST_NAMED} more with fewer")
        more = [row["treatment"] for row in changed.values() if row["percent"] <= 0]
        if more:
            parts.append(f"more with {say.named(more, MOST_NAMED)}")
        yield say.finding(
            "natural enemies",
            f"{variable.label}, over the whole period against the untreated: {series(parts)}.",
        )


def _harmless(say: Teller, variable: Variable) -> str:
    """Say that nothing was shown, and whose interval on its own would say otherwise."""
    if _untested(say.tables, variable.name, "pest_days"):
        return (
            f"{variable.label}: over the whole period it could not be tested whether treatments "
            "differ from the untreated."
        )
    text = (
        f"{variable.label}: over the whole period no difference from the untreated could be "
        "shown, which does not prove the treatments harmless"
    )
    alone = [
        row
        for row in rows(say.tables, "reductions", variable=variable.name, measure="pest_days")
        if row.known("percent") and row["lower"] > 0
    ]
    if not alone:
        return f"{text}."
    alone.sort(key=lambda row: -float(row["percent"]))
    parts = [
        f"{say.cite(row, 'percent', Style.PERCENT)} % fewer with {say.name(row['treatment'])}"
        f"{say.interval(row, Style.PERCENT)}"
        for row in alone[:MOST_NAMED]
    ]
    if len(alone) > MOST_NAMED:
        parts.append(f"{len(alone) - MOST_NAMED} more")
    return (
        f"{text}. That is the test of all treatments together (Dunnett); taken alone, intervals "
        f"leave out no change: {series(parts)}."
    )


def injury_findings(tables: Tables) -> Iterator[Finding]:
    """Which treatments differed from the untreated in damage, and in injury of the crop."""
    yield from _whole_period(tables, VariableRole.DAMAGE, "damage")
    yield from _whole_period(tables, VariableRole.CROP_INJURY, "crop injury")


def _whole_period(tables: Tables, role: VariableRole, topic: str) -> Iterator[Finding]:
    for variable in variables_of(tables, role):
        own = _mean(tables, variable.name, "pest_days", tables.trial.untreated)
        if own is None:
            continue
        say = Teller(tables)
        different = _different(tables, variable.name, "pest_days")
        if not different:
            untested = _untested(tables, variable.name, "pest_days")
            told = (
                "whether treatments differ from the untreated could not be tested"
                if untested
                else "no difference from the untreated could be shown"
            )
            yield Finding(topic, f"{variable.label}: over the whole period {told}.")
            continue
        parts = []
        for word, sign in (("less", -1), ("more", 1)):
            group = [row for row in different if row["difference"] * sign > 0]
            if group:
                shown = _with_means(say, variable.name, "pest_days", group)
                parts.append(f"{word} with {shown}")
        text = (
            f"{variable.label}: over the whole period (level times days) "
            f"{' and '.join(parts)} than in the untreated ({say.cite(own, 'mean')})."
        )
        yield say.finding(topic, text)


def _yields(tables: Tables) -> Iterator[tuple[Variable, Row]]:
    known = {item.name: item for item in tables.trial.variables}
    harvested = harvest_variable(tables.trial)
    for row in rows(tables, "responses", measure="yield"):
        yield known.get(row["variable"], harvested), row


def yield_findings(tables: Tables) -> Iterator[Finding]:
    """Whether yields differed, and from the untreated by how much."""
    for variable, tested in _yields(tables):
        if not tested.known("p"):
            continue
        say = Teller(tables)
        p = say.cite(tested, "p", Style.P)
        if tested["p"] >= tables.trial.settings.alpha:
            text = f"{variable.label}: no difference between treatments could be shown ({p})."
            yield say.finding("yield", text)
            continue
        means = rows(tables, "means", variable=variable.name, measure="yield")
        best = max((row for row in means if row.known("mean")), key=lambda row: float(row["mean"]))
        unit = f" {harvest_unit(tables, variable)}".rstrip()
        text = (
            f"{variable.label}: treatments differed ({p}); the highest mean was "
            f"{say.cite(best, 'mean')}{unit}, with {say.name(best['treatment'])}"
        )
        yield say.finding("yield", text + _gains(say, variable) + ".")


def harvest_unit(tables: Tables, variable: Variable) -> str:
    """Unit in which a yield is shown; empty where none is known."""
    harvested = harvest_variable(tables.trial)
    return (harvested if variable.name == harvested.name else variable).unit or ""


def loss_unit(tables: Tables, name: str) -> str:
    """Unit of a yield by the name of its variable, with a space before it; empty if unknown."""
    for variable, row in _yields(tables):
        if row["variable"] == name:
            return f" {harvest_unit(tables, variable)}".rstrip()
    return ""


def _gains(say: Teller, variable: Variable) -> str:
    own = _mean(say.tables, variable.name, "yield", say.tables.trial.untreated)
    if own is None:
        return ""
    different = _different(say.tables, variable.name, "yield")
    if not different:
        return "; no treatment could be shown to differ from the untreated"
    parts = []
    for word, sign in (("more", 1), ("less", -1)):
        group = [row for row in different if row["difference"] * sign > 0]
        if not group:
            continue
        named = [f"{say.name(row['a'])} by {_amount(say, row, sign)}" for row in group[:MOST_NAMED]]
        if len(group) > MOST_NAMED:
            named.append(f"{len(group) - MOST_NAMED} more")
        parts.append(f"{word} with {series(named)}")
    return f"; compared with the untreated ({say.cite(own, 'mean')}) {'; '.join(parts)}"


def _amount(say: Teller, row: Row, sign: int) -> str:
    """Write a difference and its interval; "less by 1.5 (0.3 to 2.8)" without its minus."""
    if sign > 0 or not (row.known("lower") and row["upper"] <= 0):
        return f"{say.cite(row, 'difference')}{say.interval(row)}"
    size = say.cite(row, "difference", Style.AMOUNT)
    return f"{size} ({say.limits(row, ('upper', 'lower'), Style.AMOUNT)})"
