"""Tables of efficacy: percent control, pest-days, persistence, natural enemies."""

from __future__ import annotations

from trialkit.analysis.schema.columns import (
    DAY,
    NOTE,
    REASON,
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

_METHOD = text("method", "Method", "Formula of percent control.", "method")
_CONTROL = number(
    "percent",
    "Control, %",
    "%",
    1,
    "Percent control against the untreated; below zero: more than there.",
)
_HARM = text(
    "harm_class",
    "Class of harm (natural enemies)",
    "Class of the IOBC field scheme; none for other variables.",
)

CONTROL = Table(
    name="control",
    sheet="Control, every method",
    question="Percent control by every method that the data allow",
    row="a variable, day after treatment, treatment and method; not the untreated",
    columns=(
        *DAY,
        TREATMENT,
        _METHOD,
        _CONTROL,
        *limits("%", 1, "percent control"),
        REASON,
        flag("chosen", "Shown in the report", "Whether the report shows this method."),
        p_value("p_untreated", "p-value, no control", "Two-sided p-value of no control."),
        p_value(
            "p_target",
            "p-value, control above the target",
            "One-sided: small where control above the target of the settings was shown.",
        ),
        p_value(
            "p_reference",
            "p-value, as the reference",
            "Two-sided p-value of the same control as the reference, adjusted over treatments and "
            "days (Holm); none without one.",
        ),
        NOTE,
    ),
)
CONTROL_METHODS = Table(
    name="control_methods",
    sheet="Methods of control compared",
    question="By which formula control is shown, and how wide its intervals are by each",
    row="a variable with percent control",
    columns=(
        VARIABLE,
        text("method", "Method shown", "Method that the report shows.", "method"),
        text("rule", "Because", "Why this method is shown."),
        number(
            "slope",
            "Slope of later on earlier counts",
            "ratio",
            2,
            "Between plots of one treatment, blocks removed, all days together: 0 is "
            "Abbott's formula, 1 that of Henderson and Tilton; none without a count before "
            "treatment.",
        ),
        number("slope_se", "Standard error of the slope", "ratio", 2, "Over all days together."),
        number(
            "slope_df",
            "Degrees of freedom",
            "number",
            1,
            "Degrees of freedom of the standard error.",
        ),
        number("before", "Mean before treatment", "of the variable", 2, "Mean of all plots."),
        p_value(
            "p_before",
            "p-value, treatments before treatment",
            "Whether treatments differed before treatment.",
        ),
        number(
            "width_abbott",
            "Width by Abbott, points (median)",
            "percentage points",
            1,
            "Median width of intervals over treatments and days.",
        ),
        number(
            "width_adjusted",
            "Width adjusted, points (median)",
            "percentage points",
            1,
            "Median width of intervals over treatments and days; none without a slope.",
        ),
        number(
            "width_henderson_tilton",
            "Width by Henderson-Tilton, points (median)",
            "percentage points",
            1,
            "Median width of intervals; none without a count before treatment.",
        ),
        text("recommendation", "Recommendation", "A remark on the choice."),
    ),
)
BLOCK_CONTROL = Table(
    name="block_control",
    made_by="efficacy.block_control.block_control_table",
    sheet="Control by block",
    question=(
        "Percent control of each block on its own. Data, not an estimate: the average "
        "is biased, since a block with few pests in the untreated pulls it down"
    ),
    row="a variable, day after treatment, block and treatment",
    columns=(
        *DAY,
        text("block", "Block", "The block of the row.", "block"),
        TREATMENT,
        _METHOD,
        _CONTROL,
        REASON,
    ),
    recorded=False,
)
PEST_DAYS = Table(
    name="pest_days",
    sheet="Pest-days by plot",
    question="The area under the curve of every plot",
    row="a variable and plot",
    columns=(
        VARIABLE,
        text("plot", "Plot", "The plot of the row.", "plot"),
        TREATMENT,
        number(
            "pest_days",
            "Pest-days",
            "variable × days",
            2,
            "Area under the curve, straight lines between assessments.",
        ),
        number("days", "Days spanned", "days", None, "From the first to the last assessment."),
        number("per_day", "Per day", "of the variable", 3, "Pest-days over the days spanned."),
        number(
            "bridged", "Assessments bridged", "number", 0, "Missing assessments inside the span."
        ),
        number(
            "days_above",
            "Days above the threshold",
            "days",
            2,
            "Days on which the curve lay above the threshold; none without one.",
        ),
        number(
            "pest_days_above",
            "Pest-days above the threshold",
            "variable × days",
            2,
            "Area between the curve and the threshold; none without one.",
        ),
        REASON,
    ),
)
REDUCTIONS = Table(
    name="reductions",
    sheet="All reductions",
    question="The whole period against the untreated",
    row="a variable, measure and treatment",
    columns=(
        VARIABLE,
        text(
            "measure",
            "Measure",
            "pest_days, and where there is a threshold pest_days_above and days_above it.",
            "measure",
        ),
        TREATMENT,
        number("mean", "Mean", "of the response", 2, "Mean of the plots, over the whole span."),
        number("percent", "Reduction, %", "%", 1, "Reduction against the untreated."),
        *limits("%", 1, "the reduction"),
        p_value("p", "p-value", "Two-sided p-value of no reduction."),
        REASON,
        _HARM,
    ),
)
DAYS_ABOVE = Table(
    name="days_above",
    made_by="efficacy.days_above.days_above_table",
    sheet="All days above threshold",
    question="Days on which the mean of each treatment lay above the action threshold",
    row="a variable with a threshold, and treatment",
    columns=(
        VARIABLE,
        TREATMENT,
        number("threshold", "Threshold", "of the variable", None, "The action threshold."),
        number("span", "Days assessed", "days", None, "From the first to the last assessment."),
        number("days", "Days above", "days", 1, "Days on which the mean lay above it."),
        *limits("days", 1, "the days above"),
        number(
            "difference",
            "Fewer than the untreated, days",
            "days",
            1,
            "Days above of the untreated less those of the treatment.",
        ),
        number(
            "difference_lower",
            "Interval of these from, days",
            "days",
            1,
            "Lower limit of that difference.",
        ),
        number(
            "difference_upper",
            "Interval of these to, days",
            "days",
            1,
            "Upper limit of that difference.",
        ),
        text("reason", "Why there is no comparison", "Why there is none; none where there is."),
    ),
)
PERSISTENCE = Table(
    name="persistence",
    sheet="All persistence",
    question="How fast control came, how long the target was held, and how it fell",
    row="a variable and treatment",
    columns=(
        VARIABLE,
        TREATMENT,
        number("target", "Target, %", "%", None, "Target of percent control."),
        number(
            "knockdown_percent",
            "Control at the first assessment, %",
            "%",
            1,
            "Control at the first assessment after treatment.",
        ),
        number("peak_percent", "Highest control, %", "%", 1, "The highest control of any day."),
        number("peak_day", "Day of the highest", "day", None, "Day of the highest control."),
        number(
            "holds_until_day",
            "Target held until day",
            "day",
            1,
            "Day on which the course fitted to all assessments falls below the target; none where "
            "it stays below.",
        ),
        number(
            "lower",
            "Interval from day (0: perhaps never)",
            "day",
            1,
            "Lower limit of that day; 0: the target may never have been reached.",
        ),
        number(
            "upper",
            "Interval to day (empty: perhaps beyond the last)",
            "day",
            1,
            "Upper limit of that day; none: control may have held beyond the last assessment.",
        ),
        flag(
            "censored",
            "Held to the last assessment",
            "Whether control was still at the target at the last assessment.",
        ),
        number(
            "rebound_percent",
            "Fall after the highest, points",
            "percentage points",
            1,
            "Highest control less the control at the last assessment.",
        ),
        number(
            "last_percent",
            "Control at the last assessment, %",
            "%",
            1,
            "Control at the last assessment after treatment.",
        ),
        number("last_day", "Last day", "day", None, "Day of the last assessment."),
        REASON,
        number(
            "interpolated_day",
            "By straight lines between assessments",
            "day",
            1,
            "Day on which straight lines between the assessments fall below the target.",
        ),
        text("fit", "Day read from", "What the day was derived from."),
        p_value(
            "p_lack_of_fit",
            "p-value, lack of fit",
            "P-value of the lack of fit of the line; below 0.01 the observed course is used "
            "instead.",
        ),
    ),
)
PERSISTENCE_DIFFERENCES = Table(
    name="persistence_differences",
    sheet="All persistence compared",
    question="Days at the target, and control at the first assessment, compared pair by pair",
    row="a variable, question and pair of products; the reference, where it is one, second",
    columns=(
        VARIABLE,
        text("question", "Compared", "days held, or first control."),
        text("a", "Treatment", "The first of the pair.", "treatment"),
        text("b", "Compared with", "The second of the pair.", "treatment"),
        number("value_a", "Value of the treatment", "of the row", 1, "Days or percent of a."),
        number("value_b", "Value of the other", "of the row", 1, "Days or percent of b."),
        number("difference", "Difference", "of the row", 1, "Value of a less that of b."),
        *limits("of the row", 1, "the difference"),
        P,
        p_value(
            "p_adjusted",
            "p-value, all pairs together (Holm)",
            "p-value adjusted for the number of pairs (Holm).",
        ),
        text(
            "bound",
            "The difference is",
            "at least or at most, where one of the pair held to the last assessment.",
        ),
        REASON,
    ),
)
NATURAL_ENEMIES = Table(
    name="natural_enemies",
    sheet="All natural enemies",
    question="Reduction of natural enemies on every day, with class (IOBC field scheme)",
    row="a natural enemy, day after treatment and treatment",
    columns=(
        *DAY,
        TREATMENT,
        number("percent", "Reduction, %", "%", 1, "Reduction against the untreated."),
        *limits("%", 1, "the reduction"),
        p_value("p", "p-value", "Two-sided p-value of no reduction."),
        text("harm_class", "Class", "Class of harm of the IOBC field scheme."),
        number(
            "pest_per_enemy",
            "Pests for each enemy",
            "ratio",
            2,
            "Mean of the pest over that of the enemy on the same day.",
        ),
        REASON,
        number(
            "pest_per_enemy_lower",
            "Pests for each enemy, interval from",
            "ratio",
            2,
            "Lower limit of the ratio.",
        ),
        number(
            "pest_per_enemy_upper",
            "Pests for each enemy, interval to",
            "ratio",
            2,
            "Upper limit of the ratio; none where no enemy was found.",
        ),
        p_value(
            "pest_per_enemy_p",
            "p-value, as in the untreated",
            "Two-sided p-value of the same ratio as in the untreated.",
        ),
    ),
)
RESURGENCE = Table(
    name="resurgence",
    sheet="Resurgence",
    question="Pests above the untreated after a loss of natural enemies",
    row="a pest, natural enemy and treatment for which this was found",
    columns=(
        VARIABLE,
        text("enemy", "Natural enemy", "The natural enemy that was reduced.", "variable"),
        TREATMENT,
        number("enemy_day", "Day of fewer enemies", "day", None, "Day of fewer enemies."),
        number(
            "enemy_percent",
            "Enemies below the untreated, %",
            "%",
            1,
            "Reduction of the enemy on that day.",
        ),
        number(
            "pest_day",
            "Day of most pests",
            "day",
            None,
            "Later day on which the pest was highest against the untreated.",
        ),
        number("pest_mean", "Pests", "of the variable", 3, "Mean as counted on that day."),
        number("untreated_mean", "Pests, untreated", "of the variable", 3, "The same, untreated."),
        number(
            "pest_percent", "Pests above the untreated, %", "%", 1, "Pests above the untreated."
        ),
        *limits("%", 1, "pests above the untreated on that day"),
        p_value(
            "p",
            "Adjusted p-value",
            "No more pests than in the untreated on any later day; adjusted over days and "
            "treatments.",
        ),
    ),
)
