"""Whether the plots of a trial are what its design asks for."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence

from trialkit.problems import Problem, error, listing, quoted
from trialkit.trial import Design, Plot

_SHOWN = 4


def plan_faults(
    design: Design, plots: Sequence[Plot], main_plots: Design | None = None
) -> Iterator[Problem]:
    """Find what contradicts the design.

    Parameters
    ----------
    design : Design
    plots : sequence of Plot
    main_plots : Design or None
        Where it is latin, row and column of a plot are those of its main plot.
    """
    if plots and len({plot.treatment for plot in plots}) == 1:
        yield error(
            "one-treatment",
            "The plan has a single treatment, so there is nothing to compare.",
            "Add the plots of the other treatments.",
        )
    square = main_plots is Design.LATIN and design is Design.SPLIT_PLOT
    if design is Design.CRD and plots:
        yield from _of_single_plots(plots)
    found: list[Problem] = []
    if design is Design.LATIN:
        found += _of_latin(plots)
    elif square:
        found += _of_main_square(plots)
    elif design is not Design.CRD:
        found += _of_blocks(design, plots)
    if design.has_larger_units:
        found += _of_factors(design, plots)
    yield from found
    if design.has_larger_units and not found:
        yield from _of_units(design, plots, main_plots)


def _of_single_plots(plots: Sequence[Plot]) -> Iterator[Problem]:
    """Treatments of one plot each leave nothing to tell them from chance by."""
    if max(Counter(plot.treatment for plot in plots).values()) == 1 < len(plots):
        yield error(
            "single-replicate",
            "Every treatment has a single plot, so nothing tells their differences from chance.",
            "Give the plots of all replicates; one replicate can't be analysed.",
        )


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


def _of_latin(plots: Sequence[Plot]) -> Iterator[Problem]:
    faults = latin_faults(plots)
    if faults:
        more = f"; and {len(faults) - _SHOWN} more" if len(faults) > _SHOWN else ""
        yield error(
            "not-latin",
            f"The plan is no Latin square: {'; '.join(faults[:_SHOWN])}{more}.",
            "Correct rows, columns and treatments in the plan, or set the design to rcbd or crd.",
        )


def _of_main_square(plots: Sequence[Plot]) -> Iterator[Problem]:
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
        yield error(
            "not-latin",
            f"The main plots lie in no Latin square: {words}{more}.",
            "Give every plot the row and column of its main plot, or take main_plots out of the "
            "settings where they lie in blocks.",
        )


def _of_blocks(design: Design, plots: Sequence[Plot]) -> Iterator[Problem]:
    without = [plot.id for plot in plots if plot.block is None]
    if without and len(without) == len(plots):
        if design is Design.SPLIT_PLOT and all(plot.main_plot for plot in plots):
            return  # main plots may be completely randomised
        yield error(
            "no-block",
            f"The design {design} needs blocks, and the plan has no column block.",
            "Add the column block (or rep), or the column main_plot where main plots were "
            "completely randomised."
            if design is Design.SPLIT_PLOT
            else "Add the column block (or rep), or set the design to crd.",
        )
        return
    if without:
        yield error(
            "no-block", f"These plots have no block: {listing(without)}.", "Fill in their blocks."
        )
    blocks = list(dict.fromkeys(plot.block for plot in plots if plot.block is not None))
    if len(blocks) == 1:
        yield error(
            "single-block",
            f"All plots stand in one block ({quoted(blocks[0])}).",
            "Give each plot its own block; if there were no blocks, set the design to crd.",
        )


def _of_factors(design: Design, plots: Sequence[Plot]) -> Iterator[Problem]:
    without = [plot.id for plot in plots if not plot.main_factor or not plot.sub_factor]
    if without:
        yield error(
            "no-factors",
            f"The design {design} needs main_factor and sub_factor for every plot; they are "
            f"missing for {listing(without)}.",
            "Fill in the columns main_factor and sub_factor.",
        )


def _of_units(
    design: Design, plots: Sequence[Plot], main_plots: Design | None
) -> Iterator[Problem]:
    """Combinations with two treatments, main plots with two levels, subplots that stand twice."""
    faults: dict[tuple[str, str], None] = {}
    treatment_of: dict[tuple[str | None, str | None], str] = {}
    main_of: dict[tuple[str, ...], str | None] = {}
    seen: dict[tuple[object, ...], str] = {}
    split = design is Design.SPLIT_PLOT
    for plot, place in zip(plots, unit_names(design, plots, main_plots), strict=True):
        both = f"{plot.main_factor} and {plot.sub_factor}"
        other = treatment_of.setdefault((plot.main_factor, plot.sub_factor), plot.treatment)
        if other != plot.treatment:
            what = (
                f"The combination of {both} is treatment {other} on some plots and "
                f"{plot.treatment} on others."
            )
            faults[what, "Give each combination of main factor and sub factor one treatment."] = (
                None
            )
        if split and main_of.setdefault(place, plot.main_factor) != plot.main_factor:
            unit = " ".join(filter(None, place))
            what = f"Main plot {unit} has more than one level of the main factor."
            faults[what, "Correct main_plot or main_factor in the plan."] = None
        first = seen.setdefault((*place, plot.main_factor, plot.sub_factor), plot.id)
        if first != plot.id:
            unit = "main plot" if split else "block"
            what = f"Plots {first} and {plot.id} have the same combination of {both} in one {unit}."
            faults[what, "Correct the plan; several counts of one plot are samples."] = None
    for what, remedy in faults:
        yield error("plan-unfit", what, remedy)


def unit_names(
    design: Design, plots: Sequence[Plot], main_plots: Design | None
) -> list[tuple[str, ...]]:
    """Name the main plot of every plot, or in a strip-plot its block."""
    if design is Design.STRIP_PLOT:
        return [(plot.block or "",) for plot in plots]
    if main_plots is Design.LATIN:
        return [(f"row {plot.row}", f"column {plot.column}") for plot in plots]
    return [_main_plot_of(plot) for plot in plots]


def _main_plot_of(plot: Plot) -> tuple[str, ...]:
    """Name a main plot: its number within the block, or block and main factor without one."""
    block = plot.block or ""
    if plot.main_plot is not None:
        return (block, plot.main_plot)
    return (block, "", plot.main_factor or "")
