"""From a trial's design to plots in the field: drawn, placed and numbered."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from math import factorial

import numpy as np

from trialkit.planning import draws
from trialkit.planning.alpha import Alpha, alpha_design
from trialkit.planning.faults import factor_pairs, plan_faults, unreachable
from trialkit.planning.numbering import Spot, numbered
from trialkit.planning.options import Plan
from trialkit.problems import Problem, TrialError, error
from trialkit.trial import Design, Plot, Treatment, TreatmentRole, Trial


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """A drawn layout.

    Attributes
    ----------
    plots : tuple of Plot
        In the order in which they are numbered, which is the order of the walk.
    statement : str
        How it was drawn, as a sentence.
    allowed : int or None
        Number of layouts it was drawn from; None where it is not known here.
    efficiency, bound : float or None
        Of incomplete blocks: average efficiency factor, and above what none can lie.
    """

    plots: tuple[Plot, ...]
    statement: str
    allowed: int | None = None
    efficiency: float | None = None
    bound: float | None = None


@dataclass(frozen=True, slots=True)
class _Drawn:
    spots: list[Spot]
    what: str
    allowed: int | None
    alpha: Alpha | None = None


def lay_out(trial: Trial, plan: Plan, rng: np.random.Generator) -> Layout:
    """Draw the plots of a trial by its design.

    Parameters
    ----------
    trial : Trial
        With treatments; its plots are not looked at.
    plan : Plan
    rng : Generator

    Raises
    ------
    TrialError
        When something is missing that the design needs, or the restriction leaves no layout.
    """
    problems = list(plan_faults(trial, plan))
    if problems:
        raise TrialError(problems)
    try:
        drawn = _draw(trial, plan, rng)
    except draws.OutOfReach:
        raise TrialError([unreachable()]) from None
    spots = drawn.spots
    if drawn.alpha is None:
        efficiency = bound = None
    else:
        efficiency, bound = drawn.alpha.efficiency, drawn.alpha.bound
    return Layout(
        plots=numbered(spots, plan),
        statement=_statement(drawn),
        allowed=drawn.allowed,
        efficiency=efficiency,
        bound=bound,
    )


def _statement(drawn: _Drawn) -> str:
    if drawn.allowed is None:
        return f"{drawn.what}; every layout of this kind was equally likely."
    number = f"the {drawn.allowed:,}" if drawn.allowed < 10**7 else f"about {_power(drawn.allowed)}"
    return f"{drawn.what}; each of {number} layouts of this kind was equally likely."


def _power(number: int) -> str:
    front, _, power = f"{Decimal(number):.1e}".partition("e+")
    raised = power.translate(str.maketrans("0123456789", "⁰¹²³⁴⁵⁶⁷⁸⁹"))
    return f"{front} × 10{raised}"


# --- drawing ------------------------------------------------------------------------------


def _draw(trial: Trial, plan: Plan, rng: np.random.Generator) -> _Drawn:
    design = trial.design
    if design is Design.CRD:
        return _draw_crd(trial, plan, rng)
    if design is Design.LATIN:
        return _draw_latin(trial, rng)
    if design is Design.SPLIT_PLOT:
        return _draw_split(trial, plan, rng)
    if design is Design.STRIP_PLOT:
        return _draw_strips(trial, plan, rng)
    if plan.whole("plan.block_size") is not None:
        return _draw_alpha(trial, plan, rng)
    return _draw_rcbd(trial, plan, rng)


def _labels(trial: Trial, plan: Plan) -> list[int]:
    """One number a plot of a complete block: the untreated as often as is asked for."""
    more = plan.whole("plan.untreated_plots") or 1
    return [
        index
        for index, item in enumerate(trial.treatments)
        for _ in range(more if is_untreated(trial, item) else 1)
    ]


def is_untreated(trial: Trial, treatment: Treatment) -> bool:
    """Whether a treatment is the untreated of the trial."""
    return treatment.role is TreatmentRole.UNTREATED or treatment.id == trial.untreated


def _blocks(plan: Plan) -> int:
    return plan.whole("plan.blocks") or 0


def _draw_crd(trial: Trial, plan: Plan, rng: np.random.Generator) -> _Drawn:
    labels = _labels(trial, plan) * _blocks(plan)
    width = plan.whole("plan.columns") or _even_width(len(labels))
    order = draws.draw_complete(rng, labels)
    ids = [item.id for item in trial.treatments]
    spots = [
        Spot(row=i // width + 1, column=i % width + 1, treatment=ids[label])
        for i, label in enumerate(order)
    ]
    return _Drawn(spots, "Plots were completely randomised", draws.count_complete(labels))


def _even_width(plots: int) -> int:
    """Plots in a row so that the field is about square, in rows of one length if possible."""
    near = [width for width in range(2, plots + 1) if plots % width == 0]
    return min(near, key=lambda width: (abs(width - 2 * plots / width), width))


def _draw_rcbd(trial: Trial, plan: Plan, rng: np.random.Generator) -> _Drawn:
    labels, blocks = _labels(trial, plan), _blocks(plan)
    width = -(-len(labels) // (plan.whole("plan.block_rows") or 1))
    apart = plan.yes("plan.apart")
    layout = draws.draw_blocks(rng, labels, blocks, width=width, apart=apart)
    ids = [item.id for item in trial.treatments]
    high = -(-len(labels) // width)
    spots = [
        Spot(
            row=block * high + i // width + 1,
            column=i % width + 1,
            treatment=ids[label],
            block=str(block + 1),
        )
        for block, row in enumerate(layout)
        for i, label in enumerate(row)
    ]
    what = "Treatments were randomised within each block"
    if apart:
        what += ", none standing in one column of the field in two neighbouring blocks"
    return _Drawn(spots, what, draws.count_blocks(labels, blocks, width=width, apart=apart))


def _draw_latin(trial: Trial, rng: np.random.Generator) -> _Drawn:
    ids = [item.id for item in trial.treatments]
    size = len(ids)
    square = draws.draw_latin(rng, size)
    spots = [
        Spot(row=r + 1, column=c + 1, treatment=ids[square[r, c]])
        for r in range(size)
        for c in range(size)
    ]
    of = (
        ""
        if size <= draws.LARGEST_LISTED
        else (" made from the cyclic one by permuting rows, columns and treatments")
    )
    what = f"The layout is a random {size} × {size} Latin square{of}"
    return _Drawn(spots, what, draws.count_latin(size))


def _levels(trial: Trial, plan: Plan) -> tuple[list[str], list[str], dict[tuple[str, str], str]]:
    pairs = [(a or "", b or "") for a, b in factor_pairs(trial, plan)]
    ids = {pair: item.id for pair, item in zip(pairs, trial.treatments, strict=True)}
    return list(dict.fromkeys(a for a, _ in pairs)), list(dict.fromkeys(b for _, b in pairs)), ids


def _draw_split(trial: Trial, plan: Plan, rng: np.random.Generator) -> _Drawn:
    mains, subs, ids = _levels(trial, plan)
    a, b, blocks = len(mains), len(subs), _blocks(plan)
    if trial.main_plots is Design.LATIN:
        return _draw_split_square(trial, plan, rng)
    main, sub = draws.draw_split(rng, a, b, blocks)
    spots = [
        Spot(
            row=block + 1,
            column=i * b + j + 1,
            treatment=ids[mains[main[block, i]], subs[sub[block, i, j]]],
            block=str(block + 1),
            main_plot=f"{block + 1}{_letter(i)}",
            main=mains[main[block, i]],
            sub=subs[sub[block, i, j]],
        )
        for block in range(blocks)
        for i in range(a)
        for j in range(b)
    ]
    what = "Main plots were randomised within each block, and plots within each main plot"
    return _Drawn(spots, what, (factorial(a) * factorial(b) ** a) ** blocks)


def _draw_split_square(trial: Trial, plan: Plan, rng: np.random.Generator) -> _Drawn:
    """Main plots in a Latin square; row and column of a plot are those of its main plot."""
    mains, subs, ids = _levels(trial, plan)
    a, b = len(mains), len(subs)
    square = draws.draw_latin(rng, a)
    spots = []
    for r in range(a):
        for c in range(a):
            for j, label in enumerate(rng.permutation(b)):
                main, sub = mains[square[r, c]], subs[label]
                spots.append(
                    Spot(
                        row=r + 1,
                        column=c * b + j + 1,
                        treatment=ids[main, sub],
                        main_plot=f"{r + 1}{_letter(c)}",
                        main=main,
                        sub=sub,
                        map_row=r + 1,
                        map_column=c + 1,
                    )
                )
    what = "Main plots lie in a random Latin square, and plots were randomised within each"
    return _Drawn(spots, what, draws.count_latin(a) * factorial(b) ** (a * a))


def _draw_strips(trial: Trial, plan: Plan, rng: np.random.Generator) -> _Drawn:
    mains, subs, ids = _levels(trial, plan)
    a, b, blocks = len(mains), len(subs), _blocks(plan)
    main, sub = draws.draw_strips(rng, a, b, blocks)
    spots = [
        Spot(
            row=block * a + i + 1,
            column=j + 1,
            treatment=ids[mains[main[block, i]], subs[sub[block, j]]],
            block=str(block + 1),
            main=mains[main[block, i]],
            sub=subs[sub[block, j]],
        )
        for block in range(blocks)
        for i in range(a)
        for j in range(b)
    ]
    what = "Strips of both factors were randomised within each block"
    return _Drawn(spots, what, (factorial(a) * factorial(b)) ** blocks)


def _draw_alpha(trial: Trial, plan: Plan, rng: np.random.Generator) -> _Drawn:
    ids = [item.id for item in trial.treatments]
    size, replicates = plan.whole("plan.block_size") or 0, _blocks(plan)
    try:
        design = alpha_design(len(ids), size, replicates)
    except ValueError:
        raise TrialError([_no_alpha(len(ids), size)]) from None
    names = rng.permutation(len(ids))
    spots = []
    for place, rep in enumerate(rng.permutation(replicates)):
        column = 0
        blocks = design.blocks[rep]
        for number, block in enumerate(rng.permutation(len(blocks))):
            for label in rng.permutation(blocks[block]):
                column += 1
                spots.append(
                    Spot(
                        row=place + 1,
                        column=column,
                        treatment=ids[names[label]],
                        block=f"R{place + 1}B{number + 1}",
                        replicate=str(place + 1),
                    )
                )
    what = (
        f"Incomplete blocks of {size} plots in {replicates} replicates (an alpha design, "
        f"efficiency factor {design.efficiency:.3f}, where none above {design.bound:.3f} is "
        "possible): treatments were given to the design, replicates and blocks ordered, and "
        "plots ordered within blocks at random"
    )
    return _Drawn(spots, what, None, design)


def _no_alpha(treatments: int, size: int) -> Problem:
    fitting = [
        k
        for k in range(2, treatments)
        if (s := -(-treatments // k)) * k - treatments <= s and k - (s * k > treatments) >= 2
    ]
    return error(
        "block-size",
        f"{treatments} treatments cannot be divided into blocks of {size} plots, or of {size} and "
        f"{size - 1}.",
        f"Block sizes that fit are {', '.join(map(str, fitting)) or 'none'}.",
    )


def _letter(index: int) -> str:
    letters = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
    return letters[index] if index < 26 else f"{letters[index // 26 - 1]}{letters[index % 26]}"
