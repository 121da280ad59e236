"""Whether the plan is what the design asks for, and which design it is where none is named."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence

from trialkit.plan_faults import latin_faults, plan_faults
from trialkit.problems import Place, listing, quoted
from trialkit.reading.cells import Ledger
from trialkit.trial import Design, Plot, Treatment

_SHOWN = 4


def infer_design(plots: Sequence[Plot]) -> tuple[Design, str]:
    """Design that a plan shows, and the reason in words."""
    if plots and all(plot.main_factor and plot.sub_factor for plot in plots):
        return Design.SPLIT_PLOT, "there are a main factor and a sub factor"
    blocks = {plot.block for plot in plots}
    # Where some plots have a block and others none, that is the fault to be told.
    if len(blocks) > 1:
        return Design.RCBD, "there is a column of blocks"
    if plots and not latin_faults(plots):
        return Design.LATIN, "each treatment stands once in each row and each column"
    seen = _hundreds(plots)
    though = f", though plots {seen} hold every treatment once, as blocks do" if seen else ""
    return Design.CRD, f"there are neither blocks nor a Latin square{though}"


def _hundreds(plots: Sequence[Plot]) -> str:
    """Plots numbered 101, 102, 201, 202 of which each hundred has every treatment; else empty."""
    groups: dict[str, list[Plot]] = {}
    for plot in plots:
        if not plot.id.isdigit() or len(plot.id) < len("101"):
            return ""
        groups.setdefault(plot.id[:-2], []).append(plot)
    every = {plot.treatment for plot in plots}
    held = [sorted(plot.treatment for plot in own) == sorted(every) for own in groups.values()]
    if len(groups) < 2 or not all(held):
        return ""
    first, second = list(groups.values())[:2]
    spans = [f"{min(own, key=_number).id}-{max(own, key=_number).id}" for own in (first, second)]
    return f"{spans[0]}, {spans[1]}" + (" and so on" if len(groups) > 2 else "")


def _number(plot: Plot) -> int:
    return int(plot.id)


def check_plan(
    design: Design,
    plots: Sequence[Plot],
    treatments: Sequence[Treatment],
    listed_at: Mapping[str, Place],
    place: Place,
    ledger: Ledger,
    *,
    main_plots: Design | None = None,
) -> None:
    """Find what contradicts the design, and treatments that have no plot.

    Where ``main_plots`` is latin, row and column of a plot are those of its main plot.
    """
    used = {plot.treatment for plot in plots}
    for treatment in treatments:
        if treatment.id not in used:
            ledger.error(
                "treatment-without-plots",
                f"The treatment {quoted(treatment.id)} ({treatment.name}) has no plot.",
                "Give it its plots in the plan, or take it out of the list of treatments.",
                listed_at.get(treatment.id, place),
            )
    square = main_plots is Design.LATIN and design is Design.SPLIT_PLOT
    if main_plots is not None and design is not Design.SPLIT_PLOT:
        ledger.warn(
            "main-plots-unused",
            f"The settings say how main plots were laid out, and the design is {design}.",
            "Set the design to split-plot, or take main_plots out of the settings.",
            place,
        )
    for problem in plan_faults(design, plots, main_plots):
        ledger.error(problem.kind, problem.what, problem.remedy, place)
    if design is Design.RCBD:
        _warn_incomplete(plots, place, ledger)
        _warn_few("block", [plot.block for plot in plots], place, ledger)
    if design in {Design.RCBD, Design.CRD}:
        _warn_few("treatment", [plot.treatment for plot in plots], place, ledger)
    _check_places(plots, place, ledger, latin=square or design is Design.LATIN)


def _warn_few(word: str, ids: Sequence[str | None], place: Place, ledger: Ledger) -> None:
    """Say so where one block or treatment has far fewer plots than nearly all others."""
    number = Counter(text for text in ids if text is not None)
    if len(number) < _FEW_TO_COMPARE:
        return
    usual, holders = Counter(number.values()).most_common(1)[0]
    if holders * 2 < len(number):
        return
    few = [text for text, count in number.items() if count == 1 and usual > _LONE]
    few += [t for t, count in number.items() if 1 < count * 2 < usual and word == "block"]
    if few:
        ledger.warn(
            f"few-plots-of-{word}",
            f"{listing(map(quoted, few), _SHOWN)} {'has' if len(few) == 1 else 'have'} "
            f"{number[few[0]]} plot{'s' if number[few[0]] > 1 else ''} as a {word}, and most have "
            f"{usual}.",
            f"Nothing needs to be done if the trial was laid out so; else correct the {word}.",
            place,
        )


#: So many blocks or treatments are compared in their plots, and more plots than this lack.
_FEW_TO_COMPARE, _LONE = 3, 2


def _warn_incomplete(plots: Sequence[Plot], place: Place, ledger: Ledger) -> None:
    blocks = list(dict.fromkeys(plot.block for plot in plots if plot.block is not None))
    if len(blocks) < 2:
        return
    treatments = list(dict.fromkeys(plot.treatment for plot in plots))
    there = {(plot.block, plot.treatment) for plot in plots}
    lacking = [
        (block, treatment)
        for block in blocks
        for treatment in treatments
        if (block, treatment) not in there
    ]
    # A plan that leaves out much is an incomplete block design, not an oversight.
    if lacking and len(lacking) <= max(1, len(blocks) * len(treatments) // 10):
        words = listing([f"{quoted(t)} in block {quoted(b)}" for b, t in lacking], _SHOWN)
        ledger.warn(
            "incomplete-block",
            f"The plan has no plot of treatment {words}.",
            "Nothing needs to be done if the plot was never laid out; a plot that was lost should "
            "stay in the plan.",
            place,
        )


def _check_places(plots: Sequence[Plot], place: Place, ledger: Ledger, *, latin: bool) -> None:
    """Warn where two plots share a place on the map."""
    if latin:
        return
    by_place: dict[tuple[int, int], list[str]] = {}
    for plot in plots:
        if plot.row is not None and plot.column is not None:
            by_place.setdefault((plot.row, plot.column), []).append(plot.id)
    shared = [(spot, ids) for spot, ids in by_place.items() if len(ids) > 1]
    if shared:
        (row, column), ids = shared[0]
        more = f", and {len(shared) - 1} more places are shared" if len(shared) > 1 else ""
        ledger.warn(
            "shared-place",
            f"The plots {listing(ids)} stand on the same place of the map (row {row}, column "
            f"{column}){more}.",
            "Number rows and columns over the whole field, if the map is to be drawn.",
            place,
        )
