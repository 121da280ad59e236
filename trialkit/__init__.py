"""trialkit: small-plot efficacy trials, from plot counts to a report.

>>> import trialkit
>>> trial = trialkit.read_trial(trialkit.example_trial("leaf_beetle_potato"))
>>> analysis = trialkit.analyse(trial)
>>> written = trialkit.report_trial(trial, "beetle")  # doctest: +SKIP
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from trialkit import figures
    from trialkit.analysis import Analysis, analyse
    from trialkit.desk import compare
    from trialkit.desk.audit import Audit, audit_table
    from trialkit.desk.exporting import export_script
    from trialkit.desk.second_route import second_route
    from trialkit.desk.sensitivity import sensitivity
    from trialkit.explaining import explain
    from trialkit.findings import Finding, make_findings
    from trialkit.many import Reported, report_trials
    from trialkit.planning import (
        BlocksNeeded,
        Field,
        MixSheet,
        Planned,
        actual_doses,
        blocks_needed,
        field_of,
        mix_sheet,
        plan_trial,
        start_trial,
        write_plan,
    )
    from trialkit.problems import Place, Problem, Severity, TrialError
    from trialkit.reading import read_trial, save_trial, trial_from_tables
    from trialkit.record import read_record, rerun
    from trialkit.resources import example_names, example_series, example_trial
    from trialkit.run import Written, report_trial
    from trialkit.run_series import WrittenSeries, report_series, start_series
    from trialkit.series.combine import combine
    from trialkit.series.options import SeriesOptions
    from trialkit.series.result import SeriesAnalysis
    from trialkit.trial import (
        Application,
        Better,
        Comparison,
        ControlMethod,
        Design,
        Kind,
        Plot,
        Settings,
        Transform,
        Treatment,
        TreatmentRole,
        Trial,
        Variable,
        VariableRole,
    )

# The command line must start before pandas has been loaded, so each name is fetched from its
# room when it is first asked for.
_ROOMS = {
    "Analysis": "analysis",
    "Application": "trial",
    "Better": "trial",
    "BlocksNeeded": "planning",
    "Comparison": "trial",
    "ControlMethod": "trial",
    "Design": "trial",
    "Field": "planning",
    "Finding": "findings",
    "Kind": "trial",
    "MixSheet": "planning",
    "Place": "problems",
    "Planned": "planning",
    "Plot": "trial",
    "Problem": "problems",
    "Reported": "many",
    "SeriesAnalysis": "series.result",
    "SeriesOptions": "series.options",
    "Settings": "trial",
    "Severity": "problems",
    "Transform": "trial",
    "Treatment": "trial",
    "TreatmentRole": "trial",
    "Trial": "trial",
    "TrialError": "problems",
    "Variable": "trial",
    "VariableRole": "trial",
    "Written": "run",
    "WrittenSeries": "run_series",
    "Audit": "desk.audit",
    "actual_doses": "planning",
    "analyse": "analysis",
    "audit_table": "desk.audit",
    "blocks_needed": "planning",
    "combine": "series.combine",
    "compare": "desk",
    "example_names": "resources",
    "example_series": "resources",
    "example_trial": "resources",
    "explain": "explaining",
    "export_script": "desk.exporting",
    "field_of": "planning",
    "make_findings": "findings",
    "mix_sheet": "planning",
    "plan_trial": "planning",
    "read_record": "record",
    "read_trial": "reading",
    "report_series": "run_series",
    "report_trial": "run",
    "report_trials": "many",
    "rerun": "record",
    "save_trial": "reading",
    "second_route": "desk.second_route",
    "sensitivity": "desk.sensitivity",
    "start_series": "run_series",
    "start_trial": "planning",
    "trial_from_tables": "reading",
    "write_plan": "planning",
}

__all__ = [
    "Analysis",
    "Application",
    "Audit",
    "Better",
    "BlocksNeeded",
    "Comparison",
    "ControlMethod",
    "Design",
    "Field",
    "Finding",
    "Kind",
    "MixSheet",
    "Place",
    "Planned",
    "Plot",
    "Problem",
    "Reported",
    "SeriesAnalysis",
    "SeriesOptions",
    "Settings",
    "Severity",
    "Transform",
    "Treatment",
    "TreatmentRole",
    "Trial",
    "TrialError",
    "Variable",
    "VariableRole",
    "Written",
    "WrittenSeries",
    "actual_doses",
    "analyse",
    "audit_table",
    "blocks_needed",
    "combine",
    "compare",
    "example_names",
    "example_series",
    "example_trial",
    "explain",
    "export_script",
    "field_of",
    "figures",
    "make_findings",
    "mix_sheet",
    "plan_trial",
    "read_record",
    "read_trial",
    "report_series",
    "report_trial",
    "report_trials",
    "rerun",
    "save_trial",
    "second_route",
    "sensitivity",
    "start_series",
    "start_trial",
    "trial_from_tables",
    "write_plan",
]


def __getattr__(name: str) -> object:
    from importlib import import_module

    if name == "figures":
        return import_module("trialkit.figures")
    if name not in _ROOMS:
        raise AttributeError(f"module 'trialkit' has no attribute {name!r}")
    return getattr(import_module(f"trialkit.{_ROOMS[name]}"), name)


def __dir__() -> list[str]:
    return sorted(__all__)
