"""What standards on efficacy trials expect of a report: found, missing, or not applicable.

The points are those of EPPO PP 1/152 (design and analysis of efficacy evaluation trials) and
PP 1/181 (conduct and reporting), in our own words; it blocks nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

from trialkit.report.context import Context
from trialkit.report.document import Block, Column, Table
from trialkit.trial import TreatmentRole, Trial, VariableRole

FOUND, MISSING, UNASKED = "found", "missing", "not applicable"


def _given(*names: str) -> Callable[[Trial], bool | None]:
    """Whether any of these is there, as an attribute, a further key or a text of the report."""

    def ask(trial: Trial) -> bool:
        return any(
            bool(getattr(trial, name, None)) or name in trial.extra or bool(trial.report.get(name))
            for name in names
        )

    return ask


def _rows(name: str) -> Callable[[Trial], bool | None]:
    """Whether a table of the trial has rows."""
    return lambda trial: len(getattr(trial, name)) > 0


def _applications(*names: str) -> Callable[[Trial], bool | None]:
    """Whether every application has any of these."""

    def ask(trial: Trial) -> bool | None:
        if not trial.applications:
            return None if trial.applied is None else False
        return all(
            any(getattr(item, name, None) is not None or name in item.details for name in names)
            for item in trial.applications
        )

    return ask


def _of_role(role: TreatmentRole) -> Callable[[Trial], bool | None]:
    def ask(trial: Trial) -> bool:
        return any(item.role is role for item in trial.treatments) or (
            role is TreatmentRole.UNTREATED and trial.untreated is not None
        )

    return ask


def _rates(trial: Trial) -> bool | None:
    tested = [item for item in trial.treatments if item.role is TreatmentRole.TEST]
    return all(item.rate is not None or item.parts for item in tested) if tested else None


def _before(trial: Trial) -> bool | None:
    return bool((trial.counts["day"] <= 0).any()) if len(trial.counts) else None


def _crop_effects(trial: Trial) -> bool | None:
    roles = {item.role for item in trial.variables}
    return VariableRole.CROP_INJURY in roles


def _yields(trial: Trial) -> bool | None:
    return bool(len(trial.yields) or len(trial.harvest))


def _error_df(trial: Trial) -> bool | None:
    """Twelve degrees of freedom of the error or more, as the standard asks."""
    treatments, plots = len(trial.treatments), len(trial.plots)
    blocks = len({plot.block for plot in trial.plots if plot.block is not None})
    if trial.design.value not in {"crd", "rcbd"}:
        return None
    lost = treatments + max(blocks, 1) - 1
    return plots - lost >= 12


#: What is expected, how to find out, and where to add it.
POINTS: tuple[tuple[str, Callable[[Trial], bool | None], str], ...] = (
    ("Objective", _given("objective"), "objective in [report]"),
    ("Site", _given("site"), "site in trial.toml"),
    ("Season or year", _given("season", "applied"), "season in trial.toml"),
    ("Crop", _given("crop"), "crop in trial.toml"),
    ("Cultivar", _given("cultivar", "variety"), "cultivar in trial.toml"),
    ("Sowing or planting date", _given("sown", "planted"), "planted in trial.toml"),
    ("Soil", _given("soil", "soil_type"), "soil in trial.toml"),
    ("Plot size", _given("plot_area_m2", "plot_area_ft2"), "plot_area_m2 in trial.toml"),
    ("Untreated control", _of_role(TreatmentRole.UNTREATED), "role untreated in treatments"),
    ("Reference product", _of_role(TreatmentRole.REFERENCE), "role reference in treatments"),
    ("Rates of all products", _rates, "rate and rate_unit in treatments"),
    ("At least 12 degrees of freedom for error", _error_df, "more blocks"),
    ("Date of each application", _given("applications", "applied"), "applications.csv"),
    (
        "Carrier volume",
        _applications("carrier_l_per_ha", "carrier_gal_per_acre"),
        "carrier_l_per_ha in applications.csv",
    ),
    ("Method and equipment", _applications("equipment", "method"), "applications.csv"),
    ("Growth stage at application", _applications("growth_stage"), "applications.csv"),
    ("Weather at and after application", _rows("weather"), "weather.csv"),
    ("Growth stage, method and assessor", _rows("assessments"), "assessments.csv"),
    ("Assessment before treatment", _before, "counts on or before day 0"),
    ("Effects on the crop", _crop_effects, "a variable of the role crop-injury"),
    ("Yield", _yields, "yield.csv"),
    ("Deviations and events", _rows("events"), "events.csv"),
    ("Author and sign-off", _given("author", "approved_by"), "author in [report]"),
)


def completeness(context: Context) -> Iterator[Block]:
    """Table of what is expected: found, missing or not applicable, and where to add it."""
    rows = []
    for words, ask, where in POINTS:
        answer = ask(context.trial)
        state = UNASKED if answer is None else FOUND if answer else MISSING
        rows.append((words, state, where if state == MISSING else ""))
    yield Table(
        key="completeness",
        question="What standards on efficacy trials expect of a report",
        columns=(Column(title="Expected"), Column(title="Here"), Column(title="Where to add it")),
        rows=tuple(rows),
        notes=(
            "After EPPO PP 1/152 and PP 1/181, in our words. It blocks nothing: what is missing "
            "may be missing for good reason.",
        ),
        sheet="Completeness",
        compact=True,
    )
