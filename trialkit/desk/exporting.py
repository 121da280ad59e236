"""Plot values and a script of general libraries that gives the numbers of a record again."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, Literal

import pandas as pd

from trialkit.desk.checking import checked
from trialkit.desk.second_route.plots import (
    Key,
    Row,
    errors_of,
    grouping,
    key_of,
    named,
    plot_values,
    rows_at,
)
from trialkit.files import write_set
from trialkit.problems import TrialError, error
from trialkit.record.reading import trial_from_record
from trialkit.report.tidy_files import cell_text, csv_file
from trialkit.resources import data_folder
from trialkit.trial import Design, Trial

Script = Literal["python", "r"]
Tables = Mapping[str, Sequence[Row]]
_NAMES = {"python": "analysis.py", "r": "analysis.R"}
_HEADS: Mapping[str, tuple[str, ...]] = {
    "plots.csv": (
        "response", "transform", "plot", "t", "block", "replicate", "row", "column", "main", "sub",
        "unit", "value",
    ),
    "tests.csv": ("response", "source", "df", "F", "p"),
    "means.csv": ("response", "t", "mean", "se", "letters"),
    "pairs.csv": ("response", "a", "b", "method", "difference", "se", "p"),
}  # fmt: skip
#: Method of the pairs of incomplete blocks that use what block means tell, too.
RECOVERED = "blocks recovered"
Terms = list[tuple[str, list[str]]]


def export_script(record: Mapping[str, Any], out: Path | str, script: Script) -> tuple[Path, ...]:
    """Write plot values, recorded values and a script that fits the one and shows the other.

    Parameters
    ----------
    record : mapping
        As ``read_record`` gives it.
    out : Path or str
        Folder, made where it is missing.
    script : {"python", "r"}
        statsmodels and scipy, or base R (with lme4 for random effects, mvtnorm for Dunnett).

    Returns
    -------
    tuple of Path
        plots.csv, tests.csv, means.csv, pairs.csv and the script.

    Raises
    ------
    TrialError
        When the record is damaged, or general libraries fit none of its responses.

    Examples
    --------
    >>> import trialkit
    >>> trial = trialkit.example_trial("leaf_disease_wheat")
    >>> written = trialkit.report_trial(trial, "report", formats=())
    >>> record = trialkit.read_record(written.paths[-1])
    >>> [path.name for path in trialkit.export_script(record, "script", "python")]
    ['plots.csv', 'tests.csv', 'means.csv', 'pairs.csv', 'analysis.py']
    """
    trial = trial_from_record(record)
    values, tables = plot_values(trial).values, checked(record)["tables"]
    rows: dict[str, list[Sequence[object]]] = {name: [] for name in _HEADS}
    for item in tables.get("responses", []):
        key = key_of(item)
        if key in values and values[key].notna().any() and any(rows_at(tables, "anova", key)):
            rows["plots.csv"] += _plots(trial, values[key], item)
            rows["tests.csv"] += _tests(trial, tables, key)
            rows["means.csv"] += [
                (named(key), row["treatment"], row["mean_analysed"], row["se"], row["letters"])
                for row in rows_at(tables, "means", key)
                if row["mean_analysed"] is not None
            ]
            rows["pairs.csv"] += _pairs(tables, key)
    if not rows["plots.csv"]:
        raise TrialError(
            [
                error(
                    "no-script",
                    "General libraries fit no response of this record as it was fitted.",
                    "See what trialkit rerun --second-route says.",
                )
            ]
        )
    folder = Path(out)
    folder.mkdir(parents=True, exist_ok=True)
    files = {folder / name: _csv(_HEADS[name], lines) for name, lines in rows.items()}
    files[folder / _NAMES[script]] = _script(script, trial)
    write_set(files)
    return tuple(files)


def _plots(trial: Trial, values: pd.Series, item: Row) -> Iterator[Sequence[object]]:
    groups = grouping(trial)
    for plot in trial.plots:
        place = (plot.block, plot.replicate, plot.row, plot.column, plot.main_factor)
        crossed = [str(getattr(plot, name)) for name in groups]
        unit = plot.main_plot or "/".join([*crossed, str(plot.main_factor)])
        yield (
            named(key_of(item)), item["transform"], plot.id, plot.treatment, *place,
            plot.sub_factor, unit if trial.design.has_larger_units else None,
            float(values[plot.id]),
        )  # fmt: skip


def _tests(trial: Trial, tables: Tables, key: Key) -> Iterator[Sequence[object]]:
    terms = {source for source, _ in _terms(trial)}
    # Blocks of larger units have an error of their own, and are not what is asked.
    left = set(grouping(trial)) if trial.design.has_larger_units else set()
    for row in rows_at(tables, "anova", key):
        if row.get("F") is not None and row["source"] in terms - left:
            yield (named(key), row["source"], row["df"], row["F"], row["p"])


def _pairs(tables: Tables, key: Key) -> Iterator[Sequence[object]]:
    for row in rows_at(tables, "comparisons", key):
        if row["difference"] is not None:
            numbers = (row["difference"], row["se"], row["p_adjusted"])
            yield (named(key), row["a"], row["b"], row["method"], *numbers)
    means = [row for row in rows_at(tables, "recovered", key) if row["mean_analysed"] is not None]
    for place, one in enumerate(means):
        for other in means[place + 1 :]:
            difference = one["mean_analysed"] - other["mean_analysed"]
            yield (named(key), one["treatment"], other["treatment"], RECOVERED, difference, None,
                   None)  # fmt: skip


def _terms(trial: Trial) -> Terms:
    """Sources in the order in which they are fitted, with the columns whose levels they have."""
    groups = list(grouping(trial))
    terms = [(name, [name]) for name in groups]
    if not trial.design.has_larger_units:
        return [*terms, ("treatment", ["t"])]
    strips = trial.design is Design.STRIP_PLOT
    terms += [("main", ["main"]), ("error_main", ["unit"]), ("sub", ["sub"])]
    terms += [("error_sub", [*groups, "sub"])] if strips else []
    return [*terms, ("main:sub", ["main", "sub"])]


def _random(trial: Trial) -> list[list[str]]:
    """Columns whose levels are the larger units."""
    if not trial.design.has_larger_units:
        return []
    strips = trial.design is Design.STRIP_PLOT
    return [["unit"], *([[*grouping(trial), "sub"]] if strips else [])]


def _csv(heads: Sequence[str], rows: Sequence[Sequence[object]]) -> bytes:
    columns = [[cell_text(row[place]) for row in rows] for place in range(len(heads))]
    return csv_file(heads, columns)


def _script(script: Script, trial: Trial) -> bytes:
    text = (data_folder("templates") / f"export_{script}.txt").read_text(encoding="utf-8")
    terms, errors = _terms(trial), errors_of(trial.design)
    if script == "python":
        parts = {
            "TERMS": json.dumps(terms),
            "ERRORS": json.dumps(errors),
            "RANDOM": json.dumps(_random(trial)),
        }
    else:
        by_name = {":".join(columns): source for source, columns in terms}
        by_name["Residuals"] = "error"
        parts = {
            "MODEL": " + ".join(":".join(columns) for _, columns in terms),
            "SOURCES": ", ".join(f'"{name}" = "{source}"' for name, source in by_name.items()),
            "GROUPS": ", ".join(f'"{name}"' for name in grouping(trial)),
            "ERRORS": ", ".join(f'{name} = "{source}"' for name, source in errors.items()),
            "RANDOM": ", ".join(f'"{":".join(columns)}"' for columns in _random(trial)),
        }
    for name, value in parts.items():
        text = text.replace(f"@{name}@", value)
    return text.encode("utf-8")
