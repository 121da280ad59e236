"""From a trial's design to plots in the field: drawn, placed and numbered."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby
from math import factorial

import numpy as np

from trialkit.planning import draws
from trialkit.planning.alpha import Alpha, alpha_design
from trialkit.planning.options import Plan
from trialkit.problems import Problem, TrialError, error
from trialkit.trial import Design, Plot, Treatment, TreatmentRole, Trial


@dataclass(frozen=True, slots=True, kw_only=True)
class Spot:
    """One place of the field with what was drawn for it; rows and columns count from 1."""

    row: int
    column: int
    treatment: str
    block: str | None = None
    replicate: str | None = None
    main_plot: str | None = None
    main: str | None = None
    sub: str | None = None
    map_row: int | None = None
    map_column: int | None = None


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
    problems = list(_faults(trial, plan))
    if problems:
        raise TrialError(problems)
    try:
        drawn = _draw(trial, plan, rng)
    except draws.OutOfReach:
        raise TrialError([_unreachable()]) from None
    spots = drawn.spots
    if drawn.alpha is None:
        efficiency = bound = None
    else:
        efficiency, bound = drawn.alpha.efficiency, drawn.alpha.bound
    return Layout(
        plots=_numbered(spots, plan),
        statement=_statement(drawn),
        allowed=drawn.allowed,
        efficiency=efficiency,
        bound=bound,
    )


def _statement(drawn: _Drawn) -> str:
    if drawn.allowed is None:
        return f"{drawn.what}; every layout of this kind was equally likely."
    number = f"{drawn.allowed:,}" if drawn.allowed < 10**7 else f"about {_power(drawn.allowed)}"
    return f"{drawn.what}; each of the {number} layouts of this kind was equally likely."


def _power(number: int) -> str:
    digits = str(number)
    raised = str(len(digits) - 1).translate(str.maketrans("0123456789", "⁰¹²³⁴⁵⁶⁷⁸⁹"))
    return f"{digits[0]}.{digits[1]} × 10{raised}"


# --- what is missing ----------------------------------------------------------------------


def _faults(trial: Trial, plan: Plan) -> list[Problem]:
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
    if trial.design.has_larger_units:
        found += _factor_faults(trial, plan)
    return found


def _unreachable() -> Problem:
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


# --- numbering ----------------------------------------------------------------------------


def walk(spots: Sequence[Spot], *, serpentine: bool) -> list[Spot]:
    """Order places as they are walked: row by row, every second one backwards or none."""
    ordered = sorted(spots, key=lambda spot: (spot.row, spot.column))
    rows = [list(group) for _, group in groupby(ordered, key=lambda spot: spot.row)]
    walked = []
    for row in rows:
        back = serpentine and row[0].row % 2 == 0
        walked += row[::-1] if back else row
    return walked


def _numbered(spots: Sequence[Spot], plan: Plan) -> tuple[Plot, ...]:
    """Number plots along the walk: hundreds for the block or row, plots from 1 in it."""
    walked = walk(spots, serpentine=plan.text("plan.numbering") != "straight")
    groups: dict[str, int] = {}
    within: dict[str, int] = {}
    sizes: dict[str, int] = {}
    for spot in walked:
        key = _group(spot)
        groups.setdefault(key, len(groups) + 1)
        sizes[key] = sizes.get(key, 0) + 1
    base = 100 if max(sizes.values()) < 100 else 1000
    plots = []
    for spot in walked:
        key = _group(spot)
        within[key] = within.get(key, 0) + 1
        plots.append(
            Plot(
                id=str(groups[key] * base + within[key]),
                treatment=spot.treatment,
                block=spot.block,
                row=spot.map_row or spot.row,
                column=spot.map_column or spot.column,
                main_plot=spot.main_plot,
                main_factor=spot.main,
                sub_factor=spot.sub,
                **({"replicate": spot.replicate} if _HAS_REPLICATE else {}),
            )
        )
    return tuple(plots)


def _group(spot: Spot) -> str:
    return spot.replicate or spot.block or f"row {spot.row}"


_HAS_REPLICATE = "replicate" in Plot.__dataclass_fields__
