"""Tables of several trials together."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from trialkit.analysis.schema import series_means_tables as means
from trialkit.analysis.schema.columns import (
    NOTE,
    TREATMENT,
    VARIABLE,
    P,
    Table,
    flag,
    limits,
    number,
    p_value,
    text,
)
from trialkit.analysis.schema.series_columns import TRIAL, TRIALS, A, B, limit_of

_MEASURE = text(
    "measure",
    "Measure",
    "control: what is left of the untreated on the days of the window; pest_days: what is left "
    "of the area under the curve.",
)
_WINDOW = text(
    "window", "Days", "Days after the first application that are taken together, or whole trial."
)
_QUESTION = (VARIABLE, _MEASURE, _WINDOW)
_PERCENT = number(
    "percent",
    "Control, %",
    "%",
    1,
    "Control over all trials, from the mean of the log ratios to the untreated; below zero: more "
    "than there.",
)
SERIES_TRIALS = Table(
    name="series_trials",
    sheet="Trials",
    question="The trials of the series",
    row="a trial",
    columns=(
        TRIAL,
        text("title", "Title", "Title of the trial."),
        text("site", "Site", "Where it stood."),
        text("season", "Season", "When it stood."),
        text("design", "Design", "How treatments were assigned to plots."),
        number("blocks", "Blocks", "number", 0, "Blocks, or replicates."),
        number("treatments", "Treatments", "number", 0, "Treatments in the trial."),
        number("assessments", "Assessments", "number", 0, "Days on which it was assessed."),
        number("first_day", "First day", "day", None, "Day of the first assessment."),
        number("last_day", "Last day", "day", None, "Day of the last assessment."),
        NOTE,
    ),
)
SERIES_MATCHES = Table(
    name="series_matches",
    sheet="Matches",
    question="What was taken as the same treatment, variable or span of days",
    row="a treatment, variable or assessment of one trial",
    columns=(
        text("kind", "What", "treatment, variable, days, or unit."),
        TRIAL,
        text("found", "As the trial has it", "As the trial names it."),
        text("taken_as", "Taken as", "Its name in the series; none where it was left out."),
        text("how", "How", "By what it was matched, or why it was left out."),
    ),
)
TRIAL_CONTROL = Table(
    name="trial_control",
    sheet="Control by trial",
    question="Control in every trial, and its weight over all trials",
    row="a variable, measure, window, treatment and trial",
    columns=(
        *_QUESTION,
        TREATMENT,
        TRIAL,
        text("days_after", "Days assessed", "Assessments in the window, days after application."),
        number("percent", "Control, %", "%", 1, "Control in the trial; below zero: more pests."),
        *limits("%", 1, "control in the trial, each interval on its own"),
        number(
            "weight",
            "Weight, %",
            "%",
            1,
            "How much of the control over all trials comes from this one: the share of its "
            "estimate of this treatment, other treatments aside.",
        ),
        NOTE,
    ),
)
COMBINED_CONTROL = Table(
    name="combined_control",
    sheet="Control over all trials",
    question="Control over all trials, and the prediction for the next site",
    row="a variable, measure, window and treatment",
    columns=(
        *_QUESTION,
        TREATMENT,
        TRIALS,
        _PERCENT,
        *limits("%", 1, "control over all trials, each interval on its own"),
        limit_of(
            "predicted_lower",
            "Next site from, %",
            "%",
            1,
            "Lower limit of the true control at another site like these",
        ),
        limit_of(
            "predicted_upper",
            "Next site to, %",
            "%",
            1,
            "Upper limit of the true control at another site like these",
        ),
        number(
            "heterogeneity",
            "Of the differences between trials, beyond chance, %",
            "%",
            0,
            "I squared: share of the variance between the estimates of the trials beyond "
            "chance inside trials.",
        ),
        number(
            "tau",
            "Spread between sites (log ratio)",
            "number",
            3,
            "Standard deviation of the true log ratios between trials (REML).",
        ),
        limit_of("tau_lower", "Spread from", "number", 3, "Lower limit of the spread"),
        limit_of("tau_upper", "Spread to", "number", 3, "Upper limit of the spread"),
        p_value(
            "p_heterogeneity",
            "p-value, all sites alike",
            "Cochran's Q of this treatment: the same control in all trials.",
        ),
        number(
            "target",
            "Target, %",
            "%",
            None,
            "The target of the settings; none for natural enemies.",
        ),
        number(
            "share_above_target",
            "Sites above the target, %",
            "%",
            0,
            "Share of sites like these at which the true control is expected above the target.",
        ),
        limit_of("share_lower", "Sites from, %", "%", 0, "Lower limit of that share"),
        limit_of("share_upper", "Sites to, %", "%", 0, "Upper limit of that share"),
        P,
        number(
            "df",
            "Degrees of freedom",
            "number",
            1,
            "Of the interval and the p-value; none for one trial.",
        ),
        text("method", "Method", "How the trials were combined.", "method"),
        NOTE,
    ),
)
TRIAL_HELD = Table(
    name="trial_held",
    sheet="Target held by trial",
    question="How long the target was held in every trial",
    row="a variable, treatment and trial",
    columns=(
        VARIABLE,
        TREATMENT,
        TRIAL,
        number("target", "Target, %", "%", None, "Target of percent control, in the trial."),
        number(
            "days",
            "Target held until day",
            "day",
            1,
            "Day until which it was held; 0 where it was never reached.",
        ),
        number("lower", "Interval from day", "day", 1, "Lower limit of that day, as in the trial."),
        number(
            "upper",
            "Interval to day (empty: perhaps beyond the last)",
            "day",
            1,
            "Upper limit of that day, as in the trial; none where the end may not have been seen.",
        ),
        flag(
            "to_the_last",
            "Held to the last assessment",
            "Whether control was still at the target at the last assessment.",
        ),
        NOTE,
    ),
)
COMBINED_HELD = Table(
    name="combined_held",
    sheet="Target held over trials",
    question="How long the target was held over all trials",
    row="a variable and treatment",
    columns=(
        VARIABLE,
        TREATMENT,
        TRIALS,
        number("target", "Target, %", "%", None, "The target of the settings."),
        number("never", "Trials that never reached it", "number", 0, "Trials with a day of 0."),
        number(
            "to_the_last",
            "Trials that held it to the last assessment",
            "number",
            0,
            "Trials with control still at the target at the last assessment.",
        ),
        number(
            "days",
            "Median, days",
            "days",
            1,
            "Median over trials of the day until which the target was held (Kaplan and Meier, for "
            "ends that were not seen); none where half of the trials held it beyond all days seen.",
        ),
        *limits("days", 1, "the median; none where the trials do not bound it"),
        number("shortest", "Shortest, days", "days", 1, "The fewest days of any trial."),
        number("longest", "Longest, days", "days", 1, "The most days seen in any trial."),
        NOTE,
    ),
)
COMBINED_DIFFERENCES = Table(
    name="combined_differences",
    sheet="Differences over all trials",
    question="How treatments differ over all trials",
    row="a variable, measure, window and pair of treatments",
    columns=(
        *_QUESTION,
        A,
        B,
        text("kind", "Kind", "reference: against the reference; pair: any other pair."),
        number("trials", "Trials", "number", 0, "Trials that have both."),
        number(
            "ratio",
            "Ratio of what is left",
            "ratio",
            2,
            "What a leaves over what b leaves; below 1: a leaves less.",
        ),
        *limits("ratio", 2, "the ratio, each interval on its own"),
        p_value("p", "p-value", "Two-sided p-value of the same control, on its own."),
        p_value("p_adjusted", "Adjusted p-value", "Adjusted over the pairs of the kind (Holm)."),
        number(
            "points", "Difference, points", "percentage points", 1, "Control of a less that of b."
        ),
        limit_of(
            "points_lower",
            "Difference from, points",
            "percentage points",
            1,
            "Lower limit of that difference",
        ),
        limit_of(
            "points_upper",
            "Difference to, points",
            "percentage points",
            1,
            "Upper limit of that difference",
        ),
        number("margin", "Margin, points", "percentage points", None, "Margin of the settings."),
        flag(
            "not_inferior",
            "Not inferior",
            "Whether the lower limit of the difference lies above minus the margin; none where "
            "there is no limit.",
        ),
        NOTE,
    ),
)
LEAVE_ONE_OUT = Table(
    name="leave_one_out",
    sheet="Each trial left out",
    question="Control over all trials but one",
    row="a variable, measure, window, treatment and the trial left out",
    columns=(
        *_QUESTION,
        TREATMENT,
        text("left_out", "Left out", "The trial that was left out.", "trial"),
        _PERCENT,
        *limits("%", 1, "control over the other trials, each interval on its own"),
    ),
)
SERIES_COVARIATES = Table(
    name="series_covariates",
    sheet="Control and conditions",
    question="Control and conditions of the trials: one covariate at a time, exploratory",
    row="a variable, measure, window, treatment and covariate",
    columns=(
        *_QUESTION,
        TREATMENT,
        text("covariate", "Covariate", "What the trials differed in."),
        TRIALS,
        number(
            "slope",
            "Change of what is left, % for one more",
            "%",
            1,
            "Change of what the treatment leaves as a share of the untreated, for one more unit "
            "of the covariate.",
        ),
        *limits("%", 1, "that change, each interval on its own"),
        P,
        NOTE,
    ),
)
SERIES_SEASONS = Table(
    name="series_seasons",
    sheet="Control over the years",
    question="Change of control from year to year",
    row="a variable, measure, window and treatment",
    columns=(
        *_QUESTION,
        TREATMENT,
        number("years", "Years", "number", 0, "Different years behind the row."),
        TRIALS,
        number(
            "change_a_year",
            "Change of what is left, % a year",
            "%",
            1,
            "Change of what the treatment leaves as a share of the untreated, from one year to "
            "the next; above zero: control falls.",
        ),
        *limits("%", 1, "the change a year, each interval on its own"),
        P,
        NOTE,
    ),
)
SERIES_CLAIMS = Table(
    name="series_claims",
    sheet="What was shown over trials",
    question="What was shown over all trials, each question by one test and all held together",
    row="a question, variable, measure, window and pair of treatments",
    columns=(
        text(
            "question",
            "Question",
            "pest, damage, enemies: each treatment against the untreated; reference: against the "
            "reference; yield: against the untreated; pairs: yields of all treatments, where there "
            "is no untreated; season: change over years.",
        ),
        *_QUESTION,
        A,
        B,
        text("direction", "Direction", "lower or higher: how a stands to b."),
        p_value("p_adjusted", "Adjusted p-value", "Adjusted over all rows of the question."),
        number(
            "level",
            "Level on page 1",
            "probability",
            4,
            "Share of the level of the settings that page 1 leaves to this question.",
        ),
        flag("shown", "Shown", "Whether p is at or below the level of the settings."),
        flag("front", "Shown on page 1", "Whether p is at or below the level on page 1."),
    ),
)

#: Every table of a series by name, in the order of its record and workbook.
SERIES_TABLES: Mapping[str, Table] = MappingProxyType(
    {
        table.name: table
        for table in (
            SERIES_TRIALS,
            SERIES_MATCHES,
            TRIAL_CONTROL,
            COMBINED_CONTROL,
            TRIAL_HELD,
            COMBINED_HELD,
            COMBINED_DIFFERENCES,
            LEAVE_ONE_OUT,
            SERIES_COVARIATES,
            SERIES_SEASONS,
            means.ERROR_VARIANCES,
            means.COMBINED_ANOVA,
            means.COMBINED_MEANS,
            means.COMBINED_COMPARISONS,
            means.TRIAL_DIFFERENCES,
            means.STABILITY,
            SERIES_CLAIMS,
        )
    }
)
