"""Plot values and a script of general libraries that gives the numbers of a record again."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Literal

from trialkit.desk.second_route import KEYS, MODELS, SOURCES, errors_of, plot_values, rows_at
from trialkit.files import write_set
from trialkit.problems import TrialError, error
from trialkit.record.reading import trial_from_record
from trialkit.report.tidy_files import cell_text, csv_file
from trialkit.resources import data_folder

Script = Literal["python", "r"]
_NAMES = {"python": "analysis.py", "r": "analysis.R"}
_PLOT = ("response", "transform", "plot", "t", "block", "row", "column", "main", "sub", "value")
_RECORDED = ("response", "source", "df", "F", "p")
_PAIRS = ("response", "a", "b", "method", "difference", "se", "p")
_BLOCKING = {"block", "row", "column"}


def export_script(record: Mapping[str, Any], out: Path | str, script: Script) -> tuple[Path, ...]:
    """Write plot values, recorded values and a script that fits the one and shows the other.

    Parameters
    ----------
    record : mapping
        As ``read_record`` gives it.
    out : Path or str
        Folder, made where it is missing.
    script : {"python", "r"}
        statsmodels and scipy, or base R.

    Returns
    -------
    tuple of Path
        plots.csv, recorded.csv, pairs.csv and the script.

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
    ['plots.csv', 'recorded.csv', 'pairs.csv', 'analysis.py']
    """
    trial = trial_from_record(record)
    values, _ = plot_values(trial)
    tables = record["tables"]
    plots: list[Sequence[object]] = []
    kept: list[Sequence[object]] = []
    pairs: list[Sequence[object]] = []
    several = bool(errors_of(trial.design))
    for item in tables.get("responses", []):
        key = tuple(item.get(name) for name in KEYS)
        anova = list(rows_at(tables, "anova", key))
        if key not in values or not anova or (several and values[key].isna().any()):
            continue
        name = f"{key[0]}, {key[1]}" + (f", day {key[2]:g}" if key[2] is not None else "")
        for plot in trial.plots:
            place = (plot.block, plot.row, plot.column, plot.main_factor, plot.sub_factor)
            value = float(values[key][plot.id])
            plots.append((name, item["transform"], plot.id, plot.treatment, *place, value))
        for row in anova:
            if row.get("F") is not None and row["source"] not in _BLOCKING:
                kept.append((name, row["source"], row["df"], row["F"], row["p"]))
        if not several:
            for row in rows_at(tables, "comparisons", key):
                numbers = (row["difference"], row["se"], row["p_adjusted"])
                pairs.append((name, row["a"], row["b"], row["method"], *numbers))
    if not plots:
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
    files = {
        folder / "plots.csv": _csv(_PLOT, plots),
        folder / "recorded.csv": _csv(_RECORDED, kept),
        folder / "pairs.csv": _csv(_PAIRS, pairs),
        folder / _NAMES[script]: _script(script, MODELS[trial.design], errors_of(trial.design)),
    }
    write_set(files)
    return tuple(files)


def _csv(heads: Sequence[str], rows: Sequence[Sequence[object]]) -> bytes:
    columns = [[cell_text(row[place]) for row in rows] for place in range(len(heads))]
    return csv_file(heads, columns)


def _script(script: Script, model: str, errors: Mapping[str, str]) -> bytes:
    text = (data_folder("templates") / f"export_{script}.txt").read_text(encoding="utf-8")
    if script == "python":
        parts = {"MODEL": model, "SOURCES": json.dumps(SOURCES), "ERRORS": json.dumps(errors)}
    else:
        sources = {_plain(name): source for name, source in SOURCES.items()} | {
            "Residuals": "error"
        }
        parts = {
            "MODEL": _plain(model.partition("~")[2].strip()),
            "SOURCES": ", ".join(f'"{name}" = "{source}"' for name, source in sources.items()),
            "ERRORS": ", ".join(f'{name} = "{source}"' for name, source in errors.items()),
        }
    for name, value in parts.items():
        text = text.replace(f"@{name}@", value)
    return text.encode("utf-8")


def _plain(formula: str) -> str:
    """Write a formula without what marks factors, which R knows by their type."""
    return formula.replace("C(", "").replace(")", "")
