"""Findings about the yield, and what it returned."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from trialkit.findings.phrases import phrase
from trialkit.findings.sentences import (
    LIMITS,
    Finding,
    Row,
    Style,
    Teller,
    brackets,
    decimals_of,
    noun,
    rows,
)
from trialkit.findings.shown import (
    claims_of,
    none_shown,
    of_several_yields,
    quantity,
    shown_of,
    starred,
    treatments_named,
    yields_of,
)
from trialkit.findings.whole import pair_findings
from trialkit.rows import Tables
from trialkit.trial import Variable


def yield_findings(tables: Tables, *, front: bool) -> Iterator[Finding]:
    """What out-yielded the untreated, and what yielded less; or that nothing did."""
    for variable in yields_of(tables):
        asked = claims_of(tables, "yield", variable.name)
        if not asked:
            yield from pair_findings(tables, variable, front=front)
            continue
        for key, way in (("higher", "higher"), ("lower", "lower")):
            found = shown_of(tables, "yield", variable.name, way, front=front)
            if not front:
                found = [row for row in found if row["front"] is not True]
            if found:
                yield _against_untreated(tables, variable, found, key, front=front)
        nothing = not any(row["shown"] for row in asked)
        if front and nothing and not starred(tables, variable.name, "yield"):
            say = Teller(tables)
            text = none_shown(say, "yield.none", asked, variable)
            yield say.finding("yield", text, variable=variable.name, front=True)


def _against_untreated(
    tables: Tables, variable: Variable, found: list[Row], key: str, *, front: bool
) -> Finding:
    say = Teller(tables)
    pairs = [_difference(tables, variable, row["a"]) for row in found]
    own = rows(
        tables, "means", variable=variable.name, measure="yield", treatment=tables.trial.untreated
    )[0]
    treatments = treatments_named(say, [row["a"] for row in found])
    measured = pairs[0] is not None
    if not measured:
        pairs = []
    known = sorted(
        (row for row in pairs if row is not None), key=lambda row: abs(float(row["difference"]))
    )
    if len(known) == 1 and len(found) == 1:
        number, interval = say.size(known[0], "difference")
        decimals = len(number.partition(".")[2])
        text = phrase(
            f"yield.{key}_one",
            treatments=treatments,
            own=quantity(say.cite(own, _shown_mean(own), decimals=decimals), variable.unit),
            size=quantity(number, variable.unit),
            brackets=brackets(interval, say.p(found[0])),
        )
    elif known:
        text = _range(say, (variable, own), known, f"yield.{key}", (treatments, found))
    else:
        text = phrase(
            "level.higher" if key == "higher" else "level.lower",
            treatments=treatments,
            noun=noun(variable),
            brackets=brackets(say.largest_p(found)),
        )
    text = of_several_yields(tables, variable, text)
    return say.claim("yield", text, found, front=front)


def _range(
    say: Teller,
    of: tuple[Variable, Row],
    known: list[Row],
    key: str,
    told: tuple[str, list[Row]],
) -> str:
    """Write the smallest and the largest difference; one where they are written alike."""
    variable, own = of
    low = _plain(say, known[0], "difference")
    decimals = len(low.partition(".")[2])
    high = _plain(say, known[-1], "difference", decimals)
    slots = {
        "treatments": told[0],
        "own": quantity(say.cite(own, _shown_mean(own), decimals=decimals), variable.unit),
        "brackets": brackets(say.largest_p(told[1])),
    }
    if low == high:
        say.numbers.pop(1)
        return phrase(f"{key}_one", size=quantity(low, variable.unit), **slots)
    return phrase(f"{key}_many", low=low, high=quantity(high, variable.unit), **slots)


def _shown_mean(row: Row) -> str:
    """Column of the mean that the report shows: the least-squares mean as measured."""
    return "back_transformed" if row.known("back_transformed") else "mean"


def _plain(say: Teller, row: Row, column: str, decimals: int | None = None) -> str:
    """Write a difference without its sign, with as many decimals as its interval is worth."""
    style = Style.TURNED if float(row[column]) < 0.0 else Style.NUMBER
    if decimals is None:
        decimals = decimals_of(row, column, LIMITS)
    return say.cite(row, column, style, decimals)


def _difference(tables: Tables, variable: Variable, treatment: str) -> Row | None:
    """Difference from the untreated as measured; None where the yield was transformed."""
    (tested,) = rows(tables, "responses", variable=variable.name, measure="yield")
    if tested["transform"] != "none":
        return None
    found = rows(
        tables,
        "comparisons",
        variable=variable.name,
        measure="yield",
        method="dunnett",
        a=treatment,
    )
    return found[0] if found else None


def return_findings(tables: Tables, *, front: bool) -> Iterator[Finding]:
    """What returned more than no treatment after its cost, at the price given."""
    settings = tables.trial.settings
    money = {row["treatment"]: row for row in rows(tables, "money") if row.known("gain")}
    if not money or not settings.crop_price:
        return
    name = next(iter(money.values()))["variable"]
    asked = claims_of(tables, "return", name)
    more = shown_of(tables, "return", name, "higher", front=front)
    less = shown_of(tables, "return", name, "lower", front=front)
    if not front:
        more = [row for row in more if row["front"] is not True]
        less = [row for row in less if row["front"] is not True]
    more.sort(key=lambda row: -float(money[row["a"]]["gain"]))
    if more and front:
        say = Teller(tables)
        size, interval = _money(say, money[more[0]["a"]])
        text = phrase(
            "return.best",
            price=_price(settings),
            treatment=say.name(more[0]["a"]),
            size=size,
            brackets=brackets(interval, say.p(more[0])),
        )
        yield say.claim("return", text, more[:1], front=True)
    others = more[1:] if front else more
    if others:
        say = Teller(tables)
        treatments = treatments_named(say, [row["a"] for row in others])
        low, high = money[others[-1]["a"]], money[others[0]["a"]]
        if len(others) == 1:
            size, interval = _money(say, low)
            text = phrase(
                "return.one",
                treatments=treatments,
                size=size,
                brackets=brackets(interval, say.p(others[0])),
            )
        else:
            text = phrase(
                "return.others",
                treatments=treatments,
                low=_plain(say, low, "gain"),
                high=_per(settings, _plain(say, high, "gain", decimals_of(low, "gain", LIMITS))),
                brackets=brackets(say.largest_p(others)),
            )
        yield say.claim("return", text, others, front=front)
    if less:
        say = Teller(tables)
        text = phrase(
            "return.less",
            treatments=treatments_named(say, [row["a"] for row in less]),
            brackets=brackets(say.largest_p(less)),
        )
        yield say.claim("return", text, less, front=front)
    if not front and asked and not any(row["shown"] for row in asked):
        say = Teller(tables)
        least = min(asked, key=lambda row: float(row["p_adjusted"]))
        text = phrase("return.none", price=_price(settings), brackets=brackets(say.p(least)))
        yield say.finding("return", text, variable=name)


def _money(say: Teller, row: Row) -> tuple[str, str]:
    number, interval = say.size(row, "gain")
    return _per(say.tables.trial.settings, number), interval


def _per(settings: Any, number: str) -> str:
    area = settings.yield_unit.partition("/")[2]
    currency = settings.currency or phrase("return.money")
    return phrase("return.per", number=number, currency=currency, area=area)


def _price(settings: Any) -> str:
    return phrase(
        "return.price",
        price=f"{settings.crop_price:g}",
        currency=settings.currency or phrase("return.money"),
        amount=settings.yield_unit.partition("/")[0],
    )
