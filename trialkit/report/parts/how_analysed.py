"""How the trial was analysed: a text to paste into a paper, and the reasons of each choice."""

from __future__ import annotations

import math
import platform
from collections.abc import Iterator, Mapping
from typing import Any

from trialkit.analysis.efficacy.control_tables import FORETOLD, NOT_FORETOLD
from trialkit.figures.identity import plain_line
from trialkit.findings.sentences import one_day_alone
from trialkit.numerals import day as write_day
from trialkit.numerals import plural
from trialkit.plain_text import capital, joined
from trialkit.report.captions import counted
from trialkit.report.context import Context
from trialkit.report.document import Block, Facts, Notes, Paragraph
from trialkit.report.numbers import write_number, write_share
from trialkit.report.parts.closing import versions
from trialkit.report.parts.departures import missing_plots, uneven_samples
from trialkit.report.parts.field import when_applied
from trialkit.report.parts.layout_words import layout
from trialkit.report.parts.shares import BETA_BINOMIAL, units
from trialkit.report.parts.variance import responses_by_scale
from trialkit.trial import Comparison, ControlMethod, Design, Trial
from trialkit.trial import Kind as VariableKind
from trialkit.words import CONTROL_METHODS, SCALE_FORMULAS, day_zero

_PROCEDURES: Mapping[Comparison, str] = {
    Comparison.TUKEY: "Tukey's procedure (Tukey-Kramer where the numbers of plots differ)",
    Comparison.LSD: "the least significant difference, protected by the F test",
    Comparison.DUNNETT: "Dunnett's procedure",
    Comparison.SNK: "the Student-Newman-Keuls procedure",
    Comparison.DUNCAN: "Duncan's multiple range procedure",
    Comparison.BONFERRONI: "t tests with Bonferroni's correction",
    Comparison.SIDAK: "t tests with Sidak's correction",
    Comparison.HOLM: "t tests with Holm's correction",
    Comparison.FDR: "t tests at a controlled false discovery rate (Benjamini-Hochberg)",
    Comparison.SCHEFFE: "Scheff\u00e9's procedure",
}
#: What is tested of a variable over the whole trial, by kind.
_LEVELS = {
    VariableKind.COUNT: "the logarithm of mean counts",
    VariableKind.PERCENT: "the arcsine root of mean percentages",
    VariableKind.MEASUREMENT: "the mean of measurements",
}
#: Questions that are asked of a variable over all days after treatment.
_OVER_DAYS = frozenset({"pest", "damage", "crop injury", "crop", "enemies", "pairs"})
_SOURCES = {
    Design.CRD: "treatments",
    Design.RCBD: "blocks and treatments",
    Design.LATIN: "rows, columns and treatments",
    Design.SPLIT_PLOT: "main plots, subplots and the factors put on them",
    Design.STRIP_PLOT: "strips, the plots where they cross and the factors put on them",
}


INTERVALS = (
    "Intervals and p-values of control and reductions come from the joint confidence "
    "distribution of all treatment means of a variable, computed numerically rather than "
    "simulated. Counts were modelled as negative binomial, percentages as beta. Dispersion "
    "was integrated out and may differ between treatments; plots keep an effect of their own "
    "over the days. Mixtures over a period are compared on the logarithmic scale. In "
    "simulated randomised blocks, nominal 95% intervals covered the truth in 91 to 99% of "
    "trials. Where the untreated plots alone varied far more than the others they covered 84 "
    "to 90%. Limits of days above a threshold come from a profile likelihood. Those of days "
    "saved covered 91 to 99%, least where pests were most clumped. The model, its prior and "
    "the simulations are documented with trialkit.inference.laws."
)
INTERVALS_IN_UNITS = "In simulated split-plots and strip-plots they covered 93 to 99%."


TESTS_ONLY = (
    "Supporting analyses were switched off (supporting = false): checks of assumptions, "
    "randomisation tests, count models, repeated measures, covariance and neighbours."
)


def how_analysed(context: Context) -> Iterator[Block]:
    """Say what was done and computed, in words that can be pasted into a paper."""
    yield Paragraph(" ".join(_trial_sentences(context)))
    whole = _whole_text(context)
    yield Paragraph(" ".join([*_analysis_sentences(context), *([whole] if whole else [])]))
    control = _control_text(context)
    if control:
        yield Paragraph(control)
    yield Paragraph(software_text(context.trial.settings.seed))
    departures = [*missing_plots(context), *uneven_samples(context.trial)]
    if departures:
        yield Paragraph("Departures from the plan:")
        yield Notes(tuple(departures))


def _trial_sentences(context: Context) -> Iterator[str]:
    """Treatments, layout, applications and assessments, a sentence each."""
    trial = context.trial
    treatments = plural(counted(len(trial.treatments)), "treatment")
    area = f" of {trial.plot_area_m2:g} m\N{SUPERSCRIPT TWO}" if trial.plot_area_m2 else ""
    laid_out = f"{capital(treatments)} were compared in {layout(trial)}"
    counted_there = laid_out.endswith("plots")
    plots = area if counted_there else f" ({plural(len(trial.plots), 'plot')}{area})"
    yield f"{laid_out}{plots}."
    if trial.applications:
        yield f"{when_applied(trial.applications)}."
    days = sorted(day for day in set(trial.counts["day"]) if math.isfinite(day))
    assessed = [
        context.variable_label(name) for name in context.variables if context.plot_values(name).days
    ]
    if assessed and days and not trial.undated:
        on = "day" if len(days) == 1 else "days"
        listed = joined([write_day(day) for day in days])
        yield (
            f"Assessments were made on {on} {listed}, counted from {day_zero(trial)}: "
            f"{'; '.join(assessed)}."
        )


def _analysis_sentences(context: Context) -> Iterator[str]:
    """Unit, analysis of variance, scales and comparison, a sentence each."""
    trial = context.trial
    sources = _SOURCES.get(trial.design, "the strata of the design and treatments")
    yield f"The plot was the experimental unit.{_samples_text(trial)}"
    yield f"{_responses_text(context)} analysis of variance with {sources}."
    scales = [
        f"{SCALE_FORMULAS[scale]} for {'; '.join(labels)}"
        for scale, labels in responses_by_scale(context).items()
        if scale in SCALE_FORMULAS
    ]
    if scales:
        yield f"Scale of analysis: {'. '.join([scales[0], *map(capital, scales[1:])])}."
    if any(number > 0 for number in context.table("responses").get("n_missing")):
        yield ("Plots were missing: least-squares means were compared, and no value was imputed.")
    yield _comparison_text(context, write_share(trial.settings.alpha))
    shared = _shares_text(context)
    if shared:
        yield shared


def _responses_text(context: Context) -> str:
    """Name what was tested of this trial, and how areas were made."""
    measures = set(context.table("responses", "measure").get("measure"))
    area = "pest_days" in measures
    parts = [
        *(["assessment"] if "count" in measures else []),
        *(["area under the curve"] if area else []),
        *(["yield"] if "yield" in measures else []),
    ]
    how = "Areas under the curve were computed for each plot by the trapezoidal rule. "
    return f"{how if area else ''}Each {joined(parts)} was subjected to"


def software_text(seed: int) -> str:
    """Name the software that made the numbers, and how to cite it."""
    known = dict(versions())
    own = known.pop("trialkit", "")
    python = f"Python {platform.python_version()}"
    others = joined([python, *(f"{name} {version}" for name, version in known.items())])
    return (
        f"All numbers were computed with trialkit {own} ({others}; seed {seed}). To cite it: "
        f"The trialkit developers. trialkit, version {own} [computer program]. The record "
        "number in the footer identifies this analysis."
    )


def how_chosen(context: Context) -> Iterator[Block]:
    """Give the reasons of each choice of scale and formula, and what intervals were held to."""
    choices = _choices(context)
    if choices:
        yield Facts(choices)
    control = _control_details(context)
    if control:
        yield Paragraph(control)
    shares = _shares_details(context)
    if shares:
        yield Paragraph(shares)
    if not context.trial.settings.supporting:
        yield Paragraph(TESTS_ONLY)


def _samples_text(trial: Trial) -> str:
    if trial.counts.empty or trial.counts["sample"].isna().all():
        return ""
    return " Samples within a plot were averaged before testing; they are not replicates."


_BLOCKS_LEVEL = (
    "Where fewer than three units were hit a plot, likeness allowed for, its p-value came from "
    "dealing the treatments out anew. In simulated randomised blocks without differences its test "
    "at 5% rejected in 3 to 7% of the trials, in 2 to 4% with four treatments and one hit a plot."
)
_STRATA_LEVEL = (
    "Each factor is tested on the mean shares of its own units (main plots or strips), the "
    "interaction on the plots after these. In simulated trials without differences these "
    "tests at 5% rejected in 4 to 6% of the trials, less where most plots had none."
)


def _shares_text(context: Context) -> str:
    """Say how shares k of n were analysed; empty where there are none."""
    names = [
        f"{context.variable_label(name)} (of {units(item)})"
        for name, item in context.variables.items()
        if item.examined is not None and context.plot_numbers(name) is not None
    ]
    if not names:
        return ""
    text = (
        f"Counted out of a number examined: {'; '.join(names)}. The percentage of each plot was "
        "analysed like other percentages, each plot with the same weight. Samples within a plot "
        "were added up first."
    )
    if BETA_BINOMIAL in context.table("count_tests").get("model"):
        text += " A beta-binomial model with logit link was fitted beside it."
    return text


def _shares_details(context: Context) -> str:
    """What the model of shares k of n allows for, and how its test was held to the level."""
    if BETA_BINOMIAL not in context.table("count_tests").get("model"):
        return ""
    level = _STRATA_LEVEL if context.trial.design.has_larger_units else _BLOCKS_LEVEL
    return (
        "The beta-binomial model allows for unequal numbers examined and for likeness of units "
        f"within a plot. {level}"
    )


def _comparison_text(context: Context, level: str) -> str:
    settings = context.trial.settings
    if settings.comparison is Comparison.NONE:
        return "Treatment means were not compared with each other (comparison = none)."
    method = _PROCEDURES.get(settings.comparison, settings.comparison.value)
    if settings.comparison is Comparison.DUNNETT:
        return f"Every treatment was compared with the untreated by {method} (familywise {level})."
    text = f"Treatment means were compared pairwise by {method} at {level}"
    text += " for each pair." if settings.comparison in {Comparison.LSD, Comparison.DUNCAN} else "."
    if "dunnett" in context.table("comparisons").get("method"):
        text += " Each treatment was also compared with the untreated by Dunnett's procedure."
    return text


def _choices(context: Context) -> tuple[tuple[str, str], ...]:
    rows = context.table("choices", "variable", "rule")
    return tuple(
        (
            f"Scale for {context.variable_label(row['variable'])}",
            plain_line(row["rule"]) + _power_text(context, row) + _area_text(row),
        )
        for row in rows.records()
        if isinstance(row["rule"], str) and row["rule"]
    )


def _area_text(row: Mapping[str, Any]) -> str:
    rule = row.get("area_rule")
    return f" {plain_line(rule)}" if isinstance(rule, str) and rule else ""


def _power_text(context: Context, row: Mapping[str, Any]) -> str:
    """Say which power Box and Cox's profile would take, as a second opinion."""
    power, lower, upper = (
        float(row.get(name, math.nan)) for name in ("power", "power_lower", "power_upper")
    )
    if not math.isfinite(power):
        return ""
    limits = ""
    if math.isfinite(lower) and math.isfinite(upper):
        limits = f"95% limits {write_number(lower, 2)} to {write_number(upper, 2)}; "
    variable = context.variables.get(str(row["variable"]))
    of = " of count + 1" if variable is not None and variable.kind is VariableKind.COUNT else ""
    return (
        f" Box-Cox power{of}: {write_number(power, 2)} ({limits}0 is log, 0.5 square root, 1 none)."
    )


_SLOPE = (
    "The formula of control follows from how strongly counts before treatment predicted later "
    "ones between plots of one treatment. A slope of 0 is Abbott's formula, 1 Henderson and "
    "Tilton's."
)


def _choices_of_control(context: Context) -> list[dict[str, Any]]:
    found = context.table("control_methods", "variable", "rule", "slope")
    return [row for row in found.records() if row["rule"] in (FORETOLD, NOT_FORETOLD)]


def _slope_text(context: Context, row: dict[str, Any]) -> str:
    label = context.variable_label(row["variable"])
    name = CONTROL_METHODS[row["method"]]
    return (
        f" {label}: {row['rule']} ({write_number(row['slope'], 2)}, standard error "
        f"{write_number(row['slope_se'], 2)}), hence {name} on all days."
    )


def _whole_text(context: Context) -> str:
    """By which test a statement over the whole trial was made; empty where there is none."""
    asked = context.table("claims", "variable").where(scope="whole trial")
    told = zip(asked.get("variable"), asked.get("question"), strict=True)
    tested = {variable for variable, question in told if question in _OVER_DAYS}
    names = [name for name in context.variables if name in tested]
    kinds = {variable.kind for variable in context.trial.variables if variable.name in names}
    if not kinds:
        return ""
    trial = context.trial
    levels = joined([words for kind, words in _LEVELS.items() if kind in kinds])
    over_days = not all(one_day_alone(context.tables, name) for name in names)
    if not over_days:
        rest = (
            "The main statements rest on one test of each variable on its only day after treatment"
        )
    else:
        rest = "Statements over the trial rest on one test of each variable over all days"
        counts = _LEVELS[VariableKind.COUNT]
        levels = levels.replace(counts, f"{counts} (each day with the same weight)")
    parts = [f"{rest}. It compares {levels}."]
    if trial.untreated is None:
        parts.append("All pairs were compared (Tukey).")
    elif trial.design.has_larger_units:
        parts.append("Dunnett's procedure compared treatments with the untreated by strata.")
    else:
        parts.append(
            "Treatments were compared with the untreated by a step-down test of the largest "
            "t statistic, with a variance of its own for the untreated."
        )
        before = [context.noun(name) for name in names if context.tested_with_start(name)]
        if before:
            parts.append(f"The value before treatment was the covariate for {joined(before)}.")
        if any(context.tested_change(name) for name in names):
            parts.append(
                "Changes over all days are those of this test, each day with equal weight."
                if over_days
                else "The change shown on page 1 is that of this test."
            )
    parts.append(
        f"All claims of page 1 together keep the {write_share(trial.settings.alpha)} level."
    )
    return " ".join(parts)


def _control_text(context: Context) -> str:
    """By which formula control was computed; empty where there is none."""
    rows = context.table("control", "variable", "method", "chosen")
    if not rows:
        return ""
    shown = rows.where(chosen=True)
    used = set(zip(shown["variable"], shown["method"], strict=True))
    parts = []
    for method, name in CONTROL_METHODS.items():
        labels = [context.variable_label(v) for v in context.variables if (v, method) in used]
        if labels:
            formula = name if method == ControlMethod.ADJUSTED else f"{name}'s formula"
            parts.append(f"by {formula} for {joined(labels)}")
    if not parts:
        return ""
    text = (
        f"Percent control was computed {joined(parts)}, from untransformed treatment means. "
        "Values below zero are kept."
    )
    if shown.knows("lower") or shown.knows("upper"):
        level = write_share(1 - context.trial.settings.alpha)
        text += (
            f" Intervals ({level}) come from the joint confidence distribution of all treatment "
            "means, allowing for plot effects over days and unequal dispersion."
        )
    return text


def _control_details(context: Context) -> str:
    """How the formula of control was chosen, and what its intervals hold."""
    rows = context.table("control", "variable", "method", "chosen")
    if not rows:
        return ""
    parts = []
    chosen = _choices_of_control(context)
    if chosen:
        parts.append(_SLOPE + "".join(_slope_text(context, row) for row in chosen))
    shown = rows.where(chosen=True)
    if shown.knows("lower") or shown.knows("upper"):
        parts.append(INTERVALS)
        if context.trial.design.has_larger_units:
            parts.append(INTERVALS_IN_UNITS)
    return " ".join(parts)
