"""Which conclusions stand on other paths of analysis."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from trialkit.analysis import Analysis, analyse
from trialkit.desk.checking import checked
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
#: Tables that conclusions are taken from, and those that hold another path already.
_TABLES = ("glance", "comparisons", "reductions", "responses", "control")
_HELD = ("count_tests", "covariate", "unequal_comparisons")
#: What page 1 marks, in words.
_QUESTIONS: Mapping[str, str] = {
    "control_first": "control at the first assessment",
    "control_best": "best control",
    "control_last": "control at the last assessment",
    "held_until": "the target reached",
    "pest_days": "fewer pest-days than the untreated",
    "enemies": "a change in natural enemies",
    "yield": "yield against the untreated",
    "return": "return after cost",
}
COUNT_MODEL, RANDOMISED = "the count model", "the randomisation test"
ADJUSTED, UNEQUAL = "counts before as covariate", "a variance for each treatment"
_COUNT_MODELS = ("negative binomial", "beta-binomial")
Conclusions = dict[str, str]
Tables = Mapping[str, Sequence[Mapping[str, Any]]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """One conclusion over all paths.

    Attributes
    ----------
    conclusion : str
        As a sentence.
    asked : int
        Paths that bear on it.
    falls : tuple of str
        Paths on which it is no longer shown.
    turns : tuple of str
        Paths on which the opposite is shown, or another treatment leads.
    """

    conclusion: str
    asked: int
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
        A trial, or a path of one or of a record. What a record holds is not computed again.

    Returns
    -------
    Sensitivity
        Conclusions are what page 1 marks as shown, in what treatments differ, pairs that differ
        in pest-days and yields, and which treatment has the largest reduction of pest-days.

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
    trial, tables = _taken(trial)
    own = _conclusions(trial, tables)
    falls: dict[str, list[str]] = {key: [] for key in own}
    turns: dict[str, list[str]] = {key: [] for key in own}
    asked = dict.fromkeys(own, 0)
    paths, closed = [], []
    for name, stands in _held(tables, trial.settings.alpha):
        known = [key for key in own if key in stands]
        if known:
            paths.append(name)
        for key in known:
            asked[key] += 1
            if not stands[key]:
                falls[key].append(name)
    for name, other in _paths(trial, tables):
        try:
            found = _conclusions(other, _tables_of(analyse(other)))
        except TrialError as fault:
            closed.append(f"{name}: {fault.problems[0].what}")
            continue
        paths.append(name)
        for key, said in own.items():
            asked[key] += 1
            now = found.get(key)
            if now is None:
                falls[key].append(name)
            elif now != said:
                turns[key].append(name)
    standings = [
        Standing(
            conclusion=said, asked=asked[key], falls=tuple(falls[key]), turns=tuple(turns[key])
        )
        for key, said in own.items()
    ]
    standings.sort(key=lambda item: (-len(item.turns), -len(item.falls) / max(item.asked, 1)))
    return Sensitivity(
        title=trial.title,
        paths=tuple(paths),
        closed=tuple(closed),
        standings=tuple(standings),
    )


def _taken(given: Trial | Path | str) -> tuple[Trial, Tables]:
    """A trial for quick analyses, and the tables of its own path: from its record, or made now."""
    if not isinstance(given, Trial):
        path = Path(given)
        if path.suffix.casefold() == ".json":
            record = read_record(path)
            trial = trial_from_record(record)
            whole = checked(record)
            problems = [item for item in whole["problems"] if isinstance(item, dict)]
            tables = {**whole["tables"], "problems": problems}
            if all(name in tables for name in _TABLES):
                return trial.with_settings(supporting=False), tables
        else:
            trial = read_trial(path)
    else:
        trial = given
    analysis = analyse(trial)
    return trial.with_settings(supporting=False), _tables_of(analysis)


def _tables_of(analysis: Analysis) -> Tables:
    kept = analysis.tables()
    tables = {name: rows_of(kept[name]) for name in (*_TABLES, *_HELD) if name in kept}
    tables["problems"] = [{"kind": item.kind, "what": item.what} for item in analysis.problems]
    return tables


def _paths(trial: Trial, tables: Tables) -> Iterator[tuple[str, Trial]]:
    for transform in (Transform.NONE, Transform.SQRT, Transform.LOG):
        if transform is not trial.settings.transform:
            variables = tuple(replace(item, transform=None) for item in trial.variables)
            other = replace(trial, variables=variables).with_settings(transform=transform)
            yield f"transform {transform.value}", other
    for comparison in (Comparison.TUKEY, Comparison.LSD, Comparison.HOLM):
        if comparison is not trial.settings.comparison:
            yield f"comparison {comparison.value}", trial.with_settings(comparison=comparison)
    rows = tables.get("control", ())
    used = {row["method"] for row in rows if row["chosen"]}
    known = {row["method"] for row in rows}
    for method in (
        ControlMethod.ABBOTT, ControlMethod.HENDERSON_TILTON, ControlMethod.ADJUSTED
    ):  # fmt: skip
        if method.value in known and used != {method.value}:
            yield f"control by {method.value}", trial.with_settings(control=method)
    blocks = sorted({plot.block for plot in trial.plots if plot.block is not None})
    if trial.design in _BLOCKED and len(blocks) > _FEWEST_BLOCKS:
        for block in blocks:
            gone = {plot.id for plot in trial.plots if plot.block == block}
            yield f"without block {block}", _without(trial, gone)
    flagged = [
        str(item.get("what")) for item in tables["problems"] if item.get("kind") == "outlier"
    ]
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


def _held(tables: Tables, alpha: float) -> Iterator[tuple[str, dict[str, bool]]]:
    """Paths that are in the tables already: of some conclusions, whether each stands on them."""
    yield RANDOMISED, _below(tables.get("responses", ()), "p_randomised", alpha)
    counted = [
        row for row in tables.get("count_tests", ())
        if row["model"] in _COUNT_MODELS and not row.get("source")
    ]  # fmt: skip
    yield COUNT_MODEL, _below(counted, "p", alpha)
    yield ADJUSTED, _below(tables.get("covariate", ()), "p", alpha)
    pairs: dict[str, bool] = {}
    for row in tables.get("unequal_comparisons", ()):
        if row["measure"] in _WHOLE and row["p_adjusted"] is not None:
            key = _pair_key(row)
            pairs[key] = pairs.get(key, False) or bool(row["different"])
    yield UNEQUAL, pairs


def _below(rows: Sequence[Mapping[str, Any]], column: str, alpha: float) -> dict[str, bool]:
    return {_differ_key(row): row[column] <= alpha for row in rows if row.get(column) is not None}


def _differ_key(row: Mapping[str, Any]) -> str:
    return f"differ {row['variable']} {row.get('measure', 'count')} {row['days_after']}"


def _pair_key(row: Mapping[str, Any]) -> str:
    return " ".join([*sorted((row["a"], row["b"])), row["variable"], row["measure"]])


def _conclusions(trial: Trial, tables: Tables) -> Conclusions:
    """What is concluded, as a sentence, by what it is about."""
    found: Conclusions = {}
    names = {item.id: f"{item.name} ({item.id})" for item in trial.treatments}
    labels = {item.name: item.label for item in trial.variables}
    for row in tables["glance"]:
        if row["shown"]:
            what = _QUESTIONS.get(row["question"], str(row["question"]).replace("_", " "))
            key = f"glance {row['treatment']} {row['question']} {row['variable']}"
            name, label = names[row["treatment"]], labels.get(row["variable"], row["variable"])
            found[key] = f"Page 1 marks {name} for {what} ({label})."
    for row in tables["responses"]:
        if row["p"] is not None and row["p"] <= trial.settings.alpha:
            found[_differ_key(row)] = f"Treatments differ in {_response(row, labels)}."
    for row in tables["comparisons"]:
        if row["measure"] in _WHOLE and row["different"]:
            lower = row["difference"] < 0
            more, less = (row["b"], row["a"]) if lower else (row["a"], row["b"])
            what = _response(row, labels)
            found[_pair_key(row)] = f"{names[more]} lies above {names[less]} in {what}."
    leaders: dict[str, Mapping[str, Any]] = {}
    for row in tables["reductions"]:
        if row["measure"] == "pest_days" and row["percent"] is not None:
            known = leaders.get(row["variable"])
            if known is None or row["percent"] > known["percent"]:
                leaders[row["variable"]] = row
    for variable, row in leaders.items():
        label = labels.get(variable, variable)
        found[f"leader {variable}"] = (
            f"{names[row['treatment']]} has the largest reduction of {label} (an estimate)."
        )
    return found


def _response(row: Mapping[str, Any], labels: Mapping[str, str]) -> str:
    label = labels.get(row["variable"], row["variable"])
    if row["measure"] == "count":
        return f"{label} on day {row['days_after']:g}"
    return f"{label}, pest-days" if row["measure"] == "pest_days" else label
