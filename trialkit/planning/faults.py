"""What a trial lacks for its layout."""

from __future__ import annotations

from trialkit.planning.options import Plan
from trialkit.problems import Place, Problem, error
from trialkit.trial import Design, Treatment, Trial


def plan_faults(trial: Trial, plan: Plan) -> list[Problem]:
    """Find everything that the layout of a trial needs and lacks."""
    found = []
    if len(trial.treatments) < 2:
        found.append(
            error(
                "no-treatments",
                "A trial needs two treatments or more, and "
                f"{'none is' if not trial.treatments else 'one is'} listed.",
                "List the treatments in treatments.csv (in a workbook the sheet Treatments).",
            )
        )
        return found
    if plan.whole("plan.blocks") is None and trial.design is not Design.LATIN:
        found.append(
            error(
                "no-blocks-planned",
                "The number of blocks is not given.",
                "Give it as blocks = 4 under [plan] (in a workbook the key plan.blocks), or with "
                "--blocks. trialkit power says how many are needed.",
            )
        )
    restricted = trial.design is Design.RCBD and plan.whole("plan.block_size") is None
    if plan.yes("plan.apart") and not restricted:
        found.append(
            error(
                "apart-not-possible",
                "Treatments are kept apart in neighbouring blocks only where blocks are complete.",
                "Take apart out of the plan, or choose the design rcbd without block_size.",
            )
        )
    found += _keys_of_other_designs(trial, plan)
    if trial.design.has_larger_units:
        found += _factor_faults(trial, plan)
    return found


def _keys_of_other_designs(trial: Trial, plan: Plan) -> list[Problem]:
    """Find keys that would be passed over in silence, since another design looks at them."""
    design = trial.design
    incomplete = plan.whole("plan.block_size") is not None
    several = (plan.whole("plan.untreated_plots") or 1) > 1
    found = []
    if incomplete and design is not Design.RCBD:
        found.append(
            error(
                "key-of-another-design",
                f"block_size is for the design rcbd, and this one is {design}.",
                "Take block_size out of the plan, or choose the design rcbd.",
                Place(column="plan.block_size"),
            )
        )
    if several and (incomplete or design not in {Design.CRD, Design.RCBD}):
        what = "incomplete blocks" if incomplete else f"the design {design}"
        found.append(
            error(
                "key-of-another-design",
                f"Several plots of the untreated in a block cannot be laid out in {what}.",
                "Take untreated_plots out of the plan, or choose complete blocks or crd.",
                Place(column="plan.untreated_plots"),
            )
        )
    return found


def unreachable() -> Problem:
    """Say that the restriction leaves no layout."""
    return error(
        "apart-out-of-reach",
        "No layout was found in which every treatment changes its column from block to block.",
        "Take apart out of the plan, or let a block take one row of the field.",
    )


def _factor_faults(trial: Trial, plan: Plan) -> list[Problem]:
    pairs = factor_pairs(trial, plan)
    lost = [item.id for item, pair in zip(trial.treatments, pairs, strict=True) if None in pair]
    if lost:
        return [
            error(
                "no-factors",
                f"The design {trial.design} needs two factors, and they are missing for the "
                f"treatments {', '.join(lost[:8])}.",
                "Give treatments.csv the columns main_factor and sub_factor, or name its columns "
                "as main_factor and sub_factor under [plan].",
            )
        ]
    cells = len({a for a, _ in pairs}) * len({b for _, b in pairs})
    if len(set(pairs)) < len(pairs) or cells != len(pairs):
        return [
            error(
                "factors-incomplete",
                f"The {len(pairs)} treatments are not every combination of the two factors once.",
                "List every level of the main factor with every level of the sub factor.",
            )
        ]
    return []


def factor_pairs(trial: Trial, plan: Plan) -> list[tuple[str | None, str | None]]:
    """Levels of the main and the sub factor of each treatment."""
    names = [plan.text(f"plan.{word}_factor") or f"{word}_factor" for word in ("main", "sub")]
    return [(_level(item, names[0]), _level(item, names[1])) for item in trial.treatments]


def _level(treatment: Treatment, column: str) -> str | None:
    wanted = _reduced(column)
    if wanted == "rate" and treatment.rate is not None:
        return f"{treatment.rate:g}"
    if wanted == "name":
        return treatment.name
    return next((text for key, text in treatment.extra.items() if _reduced(key) == wanted), None)


def _reduced(text: str) -> str:
    return "".join(sign for sign in text.casefold() if sign.isalnum())
