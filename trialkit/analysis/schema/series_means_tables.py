"""Tables of yields and measurements over several trials."""

from __future__ import annotations

from trialkit.analysis.schema.columns import (
    DF_ERROR,
    LETTERS,
    NOTE,
    TREATMENT,
    VARIABLE,
    F,
    P,
    Table,
    limits,
    number,
    p_value,
    text,
)
from trialkit.analysis.schema.series_columns import TRIAL, TRIALS, A, B, limit_of

MEAN = number("mean", "Mean", "of the variable", 2, "Least-squares mean over all trials.")

ERROR_VARIANCES = Table(
    name="error_variances",
    sheet="Error of every trial",
    question="Whether the trials are equally precise",
    row="a yield or measurement, and trial",
    columns=(
        VARIABLE,
        TRIAL,
        number(
            "error_variance",
            "Error variance",
            "of the variable, squared",
            3,
            "Mean square of the error of plots.",
        ),
        number("df", "Degrees of freedom", "number", 1, "Of the error variance."),
        number(
            "cv_percent",
            "Coefficient of variation, %",
            "%",
            1,
            "Root of the error variance as a share of the mean of the trial.",
        ),
        p_value(
            "p",
            "p-value, equal variances",
            "Bartlett's test over all trials of the variable; the same in each of its rows.",
        ),
    ),
)
COMBINED_ANOVA = Table(
    name="combined_anova",
    sheet="Analysis over trials",
    question="Analysis of variance over all trials",
    row="a yield or measurement, and source",
    columns=(
        VARIABLE,
        text(
            "source",
            "Source",
            "environment, treatment, treatment x environment, or error (all trials pooled).",
        ),
        number("df", "Degrees of freedom", "number", 1, "Degrees of freedom of the source."),
        number(
            "sum_sq",
            "Sum of squares",
            "of the variable, squared",
            3,
            "Sequential sum of squares, scaled to plots; none where each trial has its own error.",
        ),
        number("mean_sq", "Mean square", "of the variable, squared", 3, "Sum of squares over df."),
        F,
        P,
        DF_ERROR,
        text("error", "Tested against", "Source of the error it is tested against."),
        NOTE,
    ),
)
COMBINED_MEANS = Table(
    name="combined_means",
    sheet="Means over all trials",
    question="Yields and measurements over all trials",
    row="a yield or measurement, and treatment",
    columns=(
        VARIABLE,
        TREATMENT,
        TRIALS,
        MEAN,
        number(
            "se",
            "Standard error",
            "of the variable",
            3,
            "Of the treatment's mean in these trials' environments: what it shares with the "
            "other treatments is not in it.",
        ),
        number("df", "Degrees of freedom", "number", 1, "Of the standard error."),
        *limits("of the variable", 2, "the mean, each interval on its own"),
        LETTERS,
        number(
            "percent_of_reference",
            "Of the reference, %",
            "%",
            1,
            "Mean as a percentage of that of the reference, or of the untreated where there is no "
            "reference.",
        ),
        number("percent_of_mean", "Of the mean, %", "%", 1, "Mean as a percentage of all means."),
        text(
            "inference",
            "Speaks of",
            "other sites: the trials stand for others (broad); these sites: for themselves alone "
            "(narrow).",
        ),
        NOTE,
    ),
)
TRIAL_DIFFERENCES = Table(
    name="trial_differences",
    sheet="Differences by trial",
    question="Yields and measurements in every trial against the untreated or the reference",
    row="a variable, treatment and trial",
    columns=(
        VARIABLE,
        A,
        B,
        TRIAL,
        number("difference", "Difference", "of the variable", 2, "Mean of a less that of b."),
        *limits("of the variable", 2, "the difference in the trial, each interval on its own"),
        number("df", "df", "number", 0, "Degrees of freedom of the trial's error."),
        NOTE,
    ),
)
COMBINED_COMPARISONS = Table(
    name="combined_comparisons",
    sheet="Pairs over all trials",
    question="Differences of yields and measurements over all trials, pair by pair",
    row="a yield or measurement, kind of inference and pair of treatments",
    columns=(
        VARIABLE,
        A,
        B,
        number("difference", "Difference", "of the variable", 3, "Mean of a less that of b."),
        number("se", "Standard error", "of the variable", 3, "Of the difference."),
        number("df", "Degrees of freedom", "number", 1, "By which the pair was tested."),
        *limits("of the variable", 3, "the difference, as the procedure holds it"),
        p_value("p_adjusted", "Adjusted p-value", "Of the procedure."),
        text("method", "Procedure", "Procedure of comparison.", "method"),
        text(
            "inference",
            "Speaks of",
            "other sites: the trials stand for others (broad); these sites: for themselves alone "
            "(narrow).",
        ),
    ),
)
STABILITY = Table(
    name="stability",
    sheet="Stability",
    question="How evenly treatments perform over environments",
    row="a yield or measurement, and treatment",
    columns=(
        VARIABLE,
        TREATMENT,
        number("environments", "Environments", "number", 0, "Trials that have all treatments."),
        MEAN,
        number(
            "slope",
            "Slope on the environment",
            "ratio",
            2,
            "Regression of the treatment on the mean of the environment; 1 is the average "
            "(Finlay and Wilkinson).",
        ),
        limit_of("slope_lower", "Slope from", "ratio", 2, "Lower limit of the slope"),
        limit_of("slope_upper", "Slope to", "ratio", 2, "Upper limit of the slope"),
        number(
            "deviation_variance",
            "Variance about the line",
            "of the variable, squared",
            3,
            "Mean square of deviations from the line, less that of a treatment's mean in one "
            "trial (Eberhart and Russell); may be below zero.",
        ),
        number(
            "ecovalence",
            "Ecovalence",
            "of the variable, squared",
            3,
            "Share in the sum of squares of treatment x environment (Wricke).",
        ),
        number(
            "stability_variance",
            "Stability variance",
            "of the variable, squared",
            3,
            "Variance of the treatment over environments, the environments taken out (Shukla); "
            "may be below zero.",
        ),
        number(
            "superiority",
            "Distance from the best",
            "of the variable, squared",
            3,
            "Half the mean square distance from the best treatment of each environment (Lin and "
            "Binns); small is good.",
        ),
        p_value(
            "p_stability",
            "p-value, even over environments",
            "Whether the stability variance is above that of plots (approximate F).",
        ),
        NOTE,
    ),
)
