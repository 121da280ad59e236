"""Findings about the whole trial: what was reduced, on page 1 and at the level of a question."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from trialkit.findings.phrases import phrase
from trialkit.findings.sentences import Finding, Row, Teller, brackets, noun, rows
from trialkit.findings.shown import (
    claims_of,
    fewer,
    main_variables,
    none_shown,
    of_several_yields,
    range_of,
    reduced_by,
    reduction,
    reference_of,
    shown_of,
    starred,
    treatments_named,
    variables_of,
)
from trialkit.rows import Tables
from trialkit.trial import Better, Variable, VariableRole

_QUESTIONS = {
    VariableRole.PEST: "pest",
    VariableRole.DAMAGE: "damage",
    VariableRole.CROP_INJURY: "crop injury",
    VariableRole.NATURAL_ENEMY: "enemies",
}


def question_of(variable: Variable) -> str:
    """Question of the table of claims that is asked of an assessed variable."""
    return _QUESTIONS.get(variable.role, "crop")


def pest_findings(tables: Tables, *, front: bool) -> Iterator[Finding]:
    """What reduced the pest over the whole trial: the largest estimate first, then the others."""
    for variable in main_variables(tables):
        yield from level_findings(tables, variable, front=front)


def level_findings(tables: Tables, variable: Variable, *, front: bool) -> Iterator[Finding]:
    """What was shown of a variable over the whole trial, in both directions; or that nothing was.

    Off page 1 only what page 1 does not say.
    """
    question = question_of(variable)
    asked = claims_of(tables, question, variable.name)
    if not asked:
        yield from pair_findings(tables, variable, front=front)
        return
    lower = shown_of(tables, question, variable.name, "lower", front=front)
    higher = shown_of(tables, question, variable.name, "higher", front=front)
    if not front:
        lower = [row for row in lower if row["front"] is not True]
        higher = [row for row in higher if row["front"] is not True]
    if variable.role is VariableRole.CROP:
        yield from _on_crop(tables, variable, lower, Better.LESS, front=front)
        yield from _on_crop(tables, variable, higher, Better.MORE, front=front)
    else:
        yield from _lower(tables, variable, lower, alone=front)
        yield from _higher(tables, variable, higher, front=front)
    nothing = not any(row["shown"] is True for row in asked)
    if front and nothing and not starred(tables, variable.name, "pest_days"):
        say = Teller(tables)
        text = none_shown(say, "level.none", asked, variable)
        yield say.finding(question, text, variable=variable.name, front=True)


def _on_crop(
    tables: Tables, variable: Variable, found: list[Row], way: Better, *, front: bool
) -> Iterator[Finding]:
    """What was shown of stand, height and the like, and whether it is for the better."""
    if not found:
        return
    say = Teller(tables)
    worth = ""
    if variable.better is not None:
        worth = phrase("level.crop_better" if variable.better is way else "level.crop_worse")
    text = phrase(
        "level.crop_more" if way is Better.MORE else "level.crop_less",
        treatments=treatments_named(say, [row["a"] for row in found]),
        noun=noun(variable),
        worth=worth,
        brackets=brackets(say.largest_p(found)),
    )
    yield say.claim(question_of(variable), text, found, front=front)


def _lower(
    tables: Tables, variable: Variable, lower: list[Row], *, alone: bool
) -> Iterator[Finding]:
    if not lower:
        return
    topic = question_of(variable)
    ordered = sorted(lower, key=lambda row: -_percent(tables, variable, row["a"]))
    reference = reference_of(tables)
    rest = ordered[1:] if alone else ordered
    if alone:
        yield _one(tables, variable, ordered[0], best=len(ordered) > 1)
    mine = [row for row in rest if row["a"] == reference and alone]
    others = [row for row in rest if row not in mine]
    for row in mine:
        say = Teller(tables)
        size = reduced_by(say, variable, row["a"])
        if size is not None:
            text = phrase(
                "reference.lower",
                reference=say.name(row["a"]),
                noun=noun(variable),
                size=size[0],
                brackets=brackets(size[1], say.p(row)),
            )
            yield say.claim(topic, text, [row], front=alone)
        else:
            others.append(row)
    if len(others) == 1:
        yield _one(tables, variable, others[0], best=False, front=alone)
    elif others:
        say = Teller(tables)
        treatments = [row["a"] for row in others]
        size = range_of(say, variable, treatments)
        slots = {"treatments": treatments_named(say, treatments), "noun": noun(variable)}
        slots["brackets"] = brackets(say.largest_p(others))
        if size is None:
            text = phrase(fewer("level.lower", variable), **slots)
        else:
            text = phrase("level.lower_many", low=size[0], high=size[1], **slots)
        yield say.claim(topic, text, others, front=alone)


def _higher(
    tables: Tables, variable: Variable, higher: list[Row], *, front: bool
) -> Iterator[Finding]:
    if not higher:
        return
    say = Teller(tables)
    text = phrase(
        "level.higher",
        treatments=treatments_named(say, [row["a"] for row in higher]),
        noun=noun(variable),
        brackets=brackets(say.largest_p(higher)),
    )
    yield say.claim(question_of(variable), text, higher, front=front)


def _percent(tables: Tables, variable: Variable, treatment: str) -> float:
    found = reduction(tables, variable, treatment)
    return -1e9 if found is None else float(found[0][found[1]])


def _one(
    tables: Tables, variable: Variable, row: Row, *, best: bool, front: bool = True
) -> Finding:
    say = Teller(tables)
    size = reduced_by(say, variable, row["a"])
    name = say.name(row["a"])
    if size is None:
        text = phrase(
            fewer("level.lower", variable),
            treatments=name,
            noun=noun(variable),
            brackets=brackets(say.p(row)),
        )
    else:
        text = phrase(
            "level.lower_best" if best else "level.lower_one",
            treatment=name,
            noun=noun(variable),
            size=size[0],
            brackets=brackets(size[1], say.p(row)),
        )
    return say.claim(question_of(variable), text, [row], front=front)


def pair_findings(tables: Tables, variable: Variable, *, front: bool) -> Iterator[Finding]:
    """Where there is no untreated: which treatments differ from which."""
    asked = claims_of(tables, "pairs", variable.name)
    if not asked:
        return
    kept = [
        row
        for row in asked
        if row["front" if front else "shown"] is True and (front or row["front"] is not True)
    ]
    harvest = bool(rows(tables, "responses", variable=variable.name, measure="yield"))
    groups: dict[str, list[Row]] = {}
    for row in kept:
        turned = (row["direction"] == "lower") is harvest
        groups.setdefault(row["b"] if turned else row["a"], []).append(row)
    for treatment, own in sorted(groups.items(), key=lambda item: -len(item[1])):
        say = Teller(tables)
        others = [row["b"] if row["a"] == treatment else row["a"] for row in own]
        text = phrase(
            "level.pair_yield" if harvest else fewer("level.pair_lower", variable),
            a=say.name(treatment),
            b=treatments_named(say, others),
            noun=noun(variable),
            brackets=brackets(say.largest_p(own)),
        )
        if harvest:
            text = of_several_yields(tables, variable, text)
        yield say.claim(
            "pairs",
            text,
            own,
            front=front,
            subjects=(treatment,),
            against=tuple(others),
            direction="higher" if harvest else "lower",
        )
        if front:
            break
    nothing = not kept and not any(row["shown"] for row in asked)
    if front and nothing and not starred(tables, variable.name, "yield" if harvest else None):
        say = Teller(tables)
        key = "level.pair_none_yield" if harvest else "level.pair_none"
        text = none_shown(say, key, asked, variable)
        yield say.finding("pairs", text, variable=variable.name, front=True)


def pest_reference(tables: Tables, told: Sequence[Finding]) -> Iterator[Finding]:
    """How the reference did against the untreated, from what was told of the pest on page 1.

    Where it was not shown to do anything while others were, that is said.
    """
    reference = reference_of(tables)
    if reference is None:
        return
    for item in told:
        if item.claim and item.subjects == (reference,) and item is not told[0]:
            yield item
    for variable in main_variables(tables):
        asked = claims_of(tables, question_of(variable), variable.name)
        own = [row for row in asked if row["a"] == reference]
        others = any(row["front"] is True for row in asked)
        marked = rows(tables, "comparisons", variable=variable.name, a=reference, different=True)
        if own and others and own[0]["shown"] is not True and not marked:
            say = Teller(tables)
            text = phrase(
                "reference.not_shown",
                reference=say.name(reference),
                noun=noun(variable),
                brackets=brackets(say.p(own[0])),
            )
            about = {"variable": variable.name, "subjects": (reference,), "front": True}
            yield say.finding("reference", text, **about)


def reference_findings(tables: Tables, *, front: bool) -> Iterator[Finding]:
    """Which products reduced the pest more, or less, than the reference; or that none did."""
    reference = reference_of(tables)
    if reference is None:
        return
    for variable in variables_of(tables, VariableRole.PEST):
        asked = claims_of(tables, "reference", variable.name)
        for key, way in (("better", "lower"), ("worse", "higher")):
            found = shown_of(tables, "reference", variable.name, way, front=front)
            if not front:
                found = [row for row in found if row["front"] is not True]
            if found:
                say = Teller(tables)
                own = {row["a"] for row in found}
                reducing = {reference} if key == "worse" else own
                # who had no fewer than the untreated did not reduce less: there was more of them
                all_less = all(_percent(tables, variable, name) >= 1.0 for name in own)
                if not (all_less and reducing <= _shown_to_reduce(tables, variable)):
                    key = fewer("reference.lower_than", variable) if way == "lower" else "more_than"
                text = phrase(
                    key if "." in key else f"reference.{key}",
                    treatments=treatments_named(say, [row["a"] for row in found]),
                    noun=noun(variable),
                    reference=say.name(reference),
                    brackets=brackets(say.largest_p(found)),
                )
                yield say.claim("reference", text, found, front=front)
        nothing = asked and not any(row["shown"] is True for row in asked)
        useful = any(row["shown"] for row in claims_of(tables, "pest", variable.name))
        if front and nothing and useful and not _pairs_starred(tables, variable, reference):
            say = Teller(tables)
            least = min(asked, key=lambda row: float(row["p_adjusted"]))
            text = phrase(
                "reference.none",
                reference=say.name(reference),
                noun=noun(variable),
                brackets=brackets(say.p(least)),
            )
            yield say.finding("reference", text, variable=variable.name, front=True)


def _shown_to_reduce(tables: Tables, variable: Variable) -> set[str]:
    """Treatments that were shown to have less of a variable than the untreated."""
    asked = claims_of(tables, question_of(variable), variable.name)
    return {row["a"] for row in asked if row["shown"] is True and row["direction"] == "lower"}


def _pairs_starred(tables: Tables, variable: Variable, reference: str) -> bool:
    found = rows(tables, "comparisons", variable=variable.name, measure="pest_days", different=True)
    untreated = tables.trial.untreated
    return any(
        reference in (row["a"], row["b"]) and untreated not in (row["a"], row["b"]) for row in found
    )


_BESIDE = (
    VariableRole.NATURAL_ENEMY,
    VariableRole.CROP_INJURY,
    VariableRole.DAMAGE,
    VariableRole.CROP,
)


def side_findings(tables: Tables, *, front: bool) -> Iterator[Finding]:
    """Natural enemies, damage beside a pest, the crop: what was shown over the whole trial."""
    main = {item.name for item in main_variables(tables)}
    for role in _BESIDE:
        for variable in variables_of(tables, role):
            if variable.name in main:
                continue
            found = list(level_findings(tables, variable, front=front))
            # That nothing was shown beside the main question is no news for page 1.
            yield from (item for item in found if item.claim or not front)
