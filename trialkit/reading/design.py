"""Whether the plan is what the design asks for, and which design it is where none is named."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence

from trialkit.problems import Place
from trialkit.reading.cells import Ledger, listing, quoted
from trialkit.trial import Design, Plot, Treatment

_SHOWN = 4


def infer_design(plots: Sequence[Plot]) -> tuple[Design, str]:
    """Design that a plan shows, and the reason in words."""
    if plots and all(plot.main_factor and plot.sub_factor for plot in plots):
        return Design.SPLIT_PLOT, "there are a main factor and a sub factor"
    blocks = {plot.block for plot in plots}
    if len(blocks - {None}) > 1 and None not in blocks:
        return Design.RCBD, "there is a column of blocks"
    if plots and not latin_faults(plots):
        return Design.LATIN, "each treatment stands once in each row and each column"
    return Design.CRD, "there are neither blocks nor a Latin square"


def latin_faults(plots: Sequence[Plot]) -> list[str]:
    """Say why a plan is no Latin square; empty where it is one."""
    lost = [plot.id for plot in plots if plot.row is None or plot.column is None]
    if lost:
        return [f"row or column is missing for plot {listing(lost, _SHOWN)}"]
    faults: list[str] = []
    rows, columns = {plot.row for plot in plots}, {plot.column for plot in plots}
    treatments = list(dict.fromkeys(plot.treatment for plot in plots))
    if not len(rows) == len(columns) == len(treatments):
        faults.append(
            f"it has {len(rows)} rows, {len(columns)} columns and {len(treatments)} treatments, "
            "which should be the same number"
        )
    places = Counter((plot.row, plot.column) for plot in plots)
    doubled = [f"row {row}, column {column}" for (row, column), n in places.items() if n > 1]
    if doubled:
        faults.append(f"several plots share {listing(doubled, _SHOWN)}")
    for word, lines in (("row", rows), ("column", columns)):
        count = Counter((getattr(plot, word), plot.treatment) for plot in plots)
        for line in sorted(line for line in lines if line is not None):
            for treatment in treatments:
                n = count[line, treatment]
                if n != 1:
                    times = "is missing" if n == 0 else f"stands {n} times"
                    faults.append(f"treatment {quoted(treatment)} {times} in {word} {line}")
    return faults


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
    if len(used) == 1 and plots:
        ledger.error(
            "one-treatment",
            "The plan has a single treatment, so there is nothing to compare.",
            "Add the plots of the other treatments.",
            place,
        )
    square = main_plots is Design.LATIN and design is Design.SPLIT_PLOT
    if main_plots is not None and design is not Design.SPLIT_PLOT:
        ledger.warn(
            "main-plots-unused",
            f"The settings say how main plots were laid out, and the design is {design}.",
            "Set the design to split-plot, or take main_plots out of the settings.",
            place,
        )
    if design is Design.LATIN:
        _check_latin(plots, place, ledger)
    elif square:
        _check_main_square(plots, place, ledger)
    elif design is not Design.CRD:
        _check_blocks(design, plots, place, ledger)
    if design.has_larger_units:
        _check_factors(design, plots, place, ledger)
    _check_places(plots, place, ledger, latin=square or design is Design.LATIN)


def _check_latin(plots: Sequence[Plot], place: Place, ledger: Ledger) -> None:
    faults = latin_faults(plots)
    if faults:
        more = f"; and {len(faults) - _SHOWN} more" if len(faults) > _SHOWN else ""
        ledger.error(
            "not-latin",
            f"The plan is no Latin square: {'; '.join(faults[:_SHOWN])}{more}.",
            "Correct rows, columns and treatments in the plan, or set the design to rcbd or crd.",
            place,
        )


def _check_main_square(plots: Sequence[Plot], place: Place, ledger: Ledger) -> None:
    """Main plots in rows and columns: one level of the main factor each, a Latin square of them."""
    if any(not plot.main_factor for plot in plots):
        return  # said already
    levels: dict[tuple[int | None, int | None], dict[str, None]] = {}
    for plot in plots:
        levels.setdefault((plot.row, plot.column), {})[plot.main_factor or ""] = None
    mixed = [f"row {r}, column {c}" for (r, c), found in levels.items() if len(found) > 1]
    if any(plot.row is None or plot.column is None for plot in plots):
        faults = latin_faults(plots)
    elif mixed:
        faults = [f"the plots of {listing(mixed, _SHOWN)} have several levels of the main factor"]
    else:
        faults = latin_faults(
            [
                Plot(id=f"row {r}, column {c}", treatment=next(iter(found)), row=r, column=c)
                for (r, c), found in levels.items()
            ]
        )
    if faults:
        more = f"; and {len(faults) - _SHOWN} more" if len(faults) > _SHOWN else ""
        words = "; ".join(faults[:_SHOWN]).replace("treatment", "main level")
        ledger.error(
            "not-latin",
            f"The main plots lie in no Latin square: {words}{more}.",
            "Give every plot the row and column of its main plot, or take main_plots out of the "
            "settings where they lie in blocks.",
            place,
        )


def _check_blocks(design: Design, plots: Sequence[Plot], place: Place, ledger: Ledger) -> None:
    without = [plot.id for plot in plots if plot.block is None]
    if without and len(without) == len(plots):
        if design is Design.SPLIT_PLOT and all(plot.main_plot for plot in plots):
            return  # main plots may be completely randomised
        ledger.error(
            "no-block",
            f"The design {design} needs blocks, and the plan has no column block.",
            "Add the column block (or rep), or the column main_plot where main plots were "
            "completely randomised."
            if design is Design.SPLIT_PLOT
            else "Add the column block (or rep), or set the design to crd.",
            place,
        )
        return
    if without:
        ledger.error(
            "no-block",
            f"These plots have no block: {listing(without)}.",
            "Fill in their blocks.",
            place,
        )
    blocks = list(dict.fromkeys(plot.block for plot in plots if plot.block is not None))
    if len(blocks) == 1:
        ledger.error(
            "single-block",
            f"All plots stand in one block ({quoted(blocks[0])}).",
            "Give each plot its own block; if there were no blocks, set the design to crd.",
            place,
        )
        return
    if design is Design.RCBD:
        _warn_incomplete(plots, blocks, place, ledger)


def _warn_incomplete(
    plots: Sequence[Plot], blocks: Sequence[str], place: Place, ledger: Ledger
) -> None:
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


def _check_factors(design: Design, plots: Sequence[Plot], place: Place, ledger: Ledger) -> None:
    without = [plot.id for plot in plots if not plot.main_factor or not plot.sub_factor]
    if without:
        ledger.error(
            "no-factors",
            f"The design {design} needs main_factor and sub_factor for every plot; they are "
            f"missing for {listing(without)}.",
            "Fill in the columns main_factor and sub_factor.",
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
