"""Which conclusions stand on other paths of analysis."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from trialkit.analysis import Analysis, analyse
from trialkit.problems import TrialError
from trialkit.reading import read_trial
from trialkit.record import read_record
from trialkit.record.reading import trial_from_record
from trialkit.record.writing import rows_of
from trialkit.trial import Comparison, ControlMethod, Design, Transform, Trial

#: Blocks that must remain when one is left out.
_FEWEST_BLOCKS = 2
#: Measures of the whole trial, whose pairs are conclusions.
_WHOLE = ("pest_days", "yield")
_BLOCKED = (Design.RCBD, Design.SPLIT_PLOT, Design.STRIP_PLOT)
Conclusions = dict[str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """One conclusion over all paths.

    Attributes
    ----------
    conclusion : str
        As a sentence.
    falls : tuple of str
        Paths on which it is no longer shown.
    turns : tuple of str
        Paths on which the opposite is shown, or another treatment leads.
    """

    conclusion: str
    falls: tuple[str, ...]
    turns: tuple[str, ...]

    @property
    def fragile(self) -> bool:
        """Whether it does not stand on every path."""
        return bool(self.falls or self.turns)


@dataclass(frozen=True, slots=True, kw_only=True)
class Sensitivity:
    """Conclusions of a trial by path of analysis.

    Attributes
    ----------
    title : str
    paths : tuple of str
        Paths that were gone, beside that of the settings.
    closed : tuple of str
        Paths that could not be gone, with the reason.
    standings : tuple of Standing
        Fragile ones first, those that fall on most paths before the others.
    """

    title: str
    paths: tuple[str, ...]
    closed: tuple[str, ...]
    standings: tuple[Standing, ...]


def sensitivity(trial: Trial | Path | str) -> Sensitivity:
    """Analyse a trial along other defensible paths and compare the conclusions.

    Parameters
    ----------
    trial : Trial, Path or str
        A trial, or a path of one or of a record.

    Returns
    -------
    Sensitivity
        Conclusions are what page 1 marks as shown, pairs that differ in pest-days and yields,
        and which treatment has the largest reduction of pest-days.

    Raises
    ------
    TrialError
        When the trial cannot be read or is not sound.

    Examples
    --------
    >>> import trialkit
    >>> found = trialkit.sensitivity(trialkit.example_trial("spider_mite_glasshouse"))
    >>> "control by henderson-tilton" in found.paths
    True
    """
    if not isinstance(trial, Trial):
        path = Path(trial)
        record = path.suffix.casefold() == ".json"
        trial = trial_from_record(read_record(path)) if record else read_trial(path)
    trial = trial.with_settings(supporting=False)
    first = analyse(trial)
    own = _conclusions(first)
    falls: dict[str, list[str]] = {key: [] for key in own}
    turns: dict[str, list[str]] = {key: [] for key in own}
    paths, closed = [], []
    for name, other in _paths(first):
        try:
            found = _conclusions(analyse(other))
        except TrialError as fault:
            closed.append(f"{name}: {fault.problems[0].what}")
            continue
        paths.append(name)
        for key, said in own.items():
            now = found.get(key)
            if now is None:
                falls[key].append(name)
            elif now != said:
                turns[key].append(name)
    standings = [
        Standing(conclusion=said, falls=tuple(falls[key]), turns=tuple(turns[key]))
        for key, said in own.items()
    ]
    standings.sort(key=lambda item: (-len(item.turns), -len(item.falls)))
    return Sensitivity(
        title=trial.title,
        paths=tuple(paths),
        closed=tuple(closed),
        standings=tuple(standings),
    )


def _paths(first: Analysis) -> Iterator[tuple[str, Trial]]:
    trial = first.trial
    for transform in (Transform.NONE, Transform.SQRT, Transform.LOG):
        if transform is not trial.settings.transform:
            variables = tuple(replace(item, transform=None) for item in trial.variables)
            other = replace(trial, variables=variables).with_settings(transform=transform)
            yield f"transform {transform.value}", other
    for comparison in (Comparison.TUKEY, Comparison.LSD, Comparison.HOLM):
        if comparison is not trial.settings.comparison:
            yield f"comparison {comparison.value}", trial.with_settings(comparison=comparison)
    used = set(first.control.loc[first.control["chosen"].eq(True), "method"])
    known = set(first.control["method"])
    for method in (ControlMethod.ABBOTT, ControlMethod.HENDERSON_TILTON):
        if method.value in known and used != {method.value}:
            yield f"control by {method.value}", trial.with_settings(control=method)
    blocks = sorted({plot.block for plot in trial.plots if plot.block is not None})
    if trial.design in _BLOCKED and len(blocks) > _FEWEST_BLOCKS:
        for block in blocks:
            gone = {plot.id for plot in trial.plots if plot.block == block}
            yield f"without block {block}", _without(trial, gone)
    flagged = [problem.what for problem in first.problems if problem.kind == "outlier"]
    for plot in trial.plots:
        named = f"plot {plot.id} (treatment {plot.treatment})"
        if any(named in what for what in flagged):
            yield f"without plot {plot.id}", _without(trial, {plot.id}, planned=True)


def _without(trial: Trial, gone: set[str], *, planned: bool = False) -> Trial:
    """Leave plots out; where they stay in the plan they are missing plots."""
    keeps = (
        trial
        if planned
        else replace(trial, plots=tuple(plot for plot in trial.plots if plot.id not in gone))
    )
    return replace(
        keeps,
        counts=trial.counts[~trial.counts["plot"].isin(gone)].reset_index(drop=True),
        yields=trial.yields[~trial.yields["plot"].isin(gone)].reset_index(drop=True),
        harvest=trial.harvest[~trial.harvest["plot"].isin(gone)].reset_index(drop=True),
    )


def _conclusions(analysis: Analysis) -> Conclusions:
    """What is concluded, as a sentence, by what it is about."""
    found: Conclusions = {}
    names = {item.id: f"{item.name} ({item.id})" for item in analysis.trial.treatments}
    glance = analysis.glance
    rows = rows_of(glance[glance["shown"].eq(True)])
    for row in rows:
        what = str(row["question"]).replace("_", " ")
        key = f"glance {row['treatment']} {row['question']} {row['variable']}"
        found[key] = f"Shown on page 1: {names[row['treatment']]}, {what}, {row['variable']}."
    pairs = analysis.comparisons
    pairs = pairs[pairs["measure"].isin(_WHOLE) & pairs["different"].eq(True)]
    rows = rows_of(pairs)
    for row in rows:
        words = "yield" if row["measure"] == "yield" else "pest-days"
        more, less = (row["a"], row["b"]) if row["difference"] > 0 else (row["b"], row["a"])
        key = " ".join([*sorted((more, less)), row["variable"], words])
        found[key] = f"{names[more]} above {names[less]} in {words} of {row['variable']}."
    best = analysis.reductions
    best = best[best["measure"].eq("pest_days") & best["percent"].notna()]
    leaders: dict[str, dict[str, Any]] = {}
    rows = rows_of(best)
    for row in rows:
        known = leaders.get(row["variable"])
        if known is None or row["percent"] > known["percent"]:
            leaders[row["variable"]] = row
    for variable, row in leaders.items():
        leader = names[row["treatment"]]
        found[f"leader {variable}"] = (
            f"{leader} has the largest reduction of {variable} (an estimate)."
        )
    return found


def sensitivity_lines(found: Sensitivity) -> list[str]:
    """Write the outcome for a terminal: fragile conclusions first."""
    from trialkit.desk.page import wrapped

    fragile = [item for item in found.standings if item.fragile]
    lines = wrapped(
        f"{found.title}: {len(found.standings)} conclusions, {len(found.paths)} other paths of "
        f"analysis; {len(found.standings) - len(fragile)} stand on every path."
    )
    if fragile:
        lines += ["", *wrapped(f"Fragile ({len(fragile)})")]
    for item in fragile:
        gone = [*(f"{path} (the opposite, or another)" for path in item.turns), *item.falls]
        stands = len(found.paths) - len(gone)
        lines += wrapped(
            f"{item.conclusion} Stands on {stands} of {len(found.paths)}; not with: "
            f"{'; '.join(gone)}",
            "  ",
            "    ",
        )
    if any(path.startswith("without block") for path in found.paths):
        lines += ["", *wrapped("Without a block every test has less power, whatever is true.")]
    lines += ["", *wrapped("Paths: " + "; ".join(found.paths))]
    lines += wrapped("Not gone: " + "; ".join(found.closed)) if found.closed else []
    firm = [item for item in found.standings if not item.fragile]
    if firm:
        lines += ["", *wrapped(f"Standing on every path ({len(firm)})")]
        for item in firm:
            lines += wrapped(item.conclusion, "  ", "    ")
    return lines
