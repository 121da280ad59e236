"""Tables of what supports the tests: checks, samples, covariates, courses, models of counts."""

from __future__ import annotations

from trialkit.analysis.schema.columns import (
    DAY,
    DF,
    DF_ERROR,
    NOTE,
    PLOTS,
    RESPONSE,
    SE_ANALYSED,
    TREATMENT,
    VARIABLE,
    F,
    P,
    Table,
    flag,
    limits,
    number,
    p_value,
    text,
)

_SCALE = "scale of analysis"
_DISPERSION = number(
    "dispersion",
    "Dispersion, or correlation of units",
    "ratio",
    3,
    "Of the negative binomial: variance is mean + dispersion times mean squared; of quasi models a "
    "factor on the variance; of the beta-binomial the correlation between units of a plot.",
)

DIAGNOSTICS = Table(
    name="diagnostics",
    sheet="All checks",
    question="Every check of every response",
    row="a response and check of an assumption",
    columns=(
        *RESPONSE,
        text("check", "Check", "Which assumption, or which part of it, was checked."),
        number("statistic", "Statistic", "number", 4, "Statistic of the check."),
        p_value("p", "p-value", "p-value of the check, most of them by simulation."),
        text(
            "verdict",
            "Verdict",
            "What the p-value says of the assumption; none for parts of a check.",
        ),
        text("plot", "Plot", "The outlying plot; none where there is none.", "plot"),
    ),
)
SAMPLES = Table(
    name="samples",
    sheet="Variance of samples",
    question="How much plots and samples within plots vary, and what more of either would gain",
    row="a variable and day with more than one sample a plot, as counted",
    columns=(
        *DAY,
        number("plots", "Plots of a treatment", "number", 1, "Plots of a treatment."),
        number("samples", "Samples of a plot", "number", 1, "Samples of a plot."),
        number(
            "variance_plots",
            "Variance between plots",
            "scale of analysis, squared",
            4,
            "Variance between plots treated alike, beyond that of samples; as counted.",
        ),
        number(
            "variance_samples",
            "Variance between samples",
            "scale of analysis, squared",
            4,
            "Variance between samples of a plot; as counted.",
        ),
        number("se_mean", "Standard error of a mean", "of the variable", 4, "As the trial was."),
        number(
            "se_one_more_sample",
            "Standard error with one more sample",
            "of the variable",
            4,
            "Expected with one more sample in each plot.",
        ),
        number(
            "se_one_more_block",
            "Standard error with one more block",
            "of the variable",
            4,
            "Expected with one more plot of each treatment.",
        ),
    ),
)
COVARIATE = Table(
    name="covariate",
    sheet="All adjusted tests",
    question="Analysis of covariance on the count before treatment",
    row="a pest and day after treatment",
    columns=(
        *DAY,
        PLOTS,
        number(
            "slope",
            "Slope",
            "ratio",
            4,
            "Slope on the count before treatment, both on the scale of analysis.",
        ),
        number("se", "Standard error of the slope", "ratio", 4, "Standard error of the slope."),
        p_value("p_slope", "p-value of the slope", "p-value of a slope of 0."),
        p_value(
            "p_equal_slopes",
            "p-value, slopes differ",
            "p-value of equal slopes in all treatments, on which the adjustment rests.",
        ),
        DF_ERROR,
        number("F", "F for treatments, adjusted", "number", 3, "F for treatments, adjusted."),
        p_value("p", "p-value of treatments, adjusted", "p-value of treatments, adjusted."),
        number(
            "precision",
            "Precision gained, times",
            "ratio",
            3,
            "Variance of a difference without the adjustment over that with it.",
        ),
        p_value(
            "p_main",
            "p-value of the main factor, adjusted",
            "Of the main factor, in trials with larger units.",
        ),
        p_value(
            "p_sub",
            "p-value of the sub factor, adjusted",
            "Of the sub factor, in trials with larger units.",
        ),
        p_value(
            "p_interaction",
            "p-value of both factors together, adjusted",
            "Of the interaction, in trials with larger units.",
        ),
        NOTE,
    ),
)
ADJUSTED_MEANS = Table(
    name="adjusted_means",
    sheet="Adjusted means",
    question="Means adjusted for the count before treatment",
    row="a pest, day after treatment and treatment",
    columns=(
        *DAY,
        TREATMENT,
        number(
            "mean_adjusted",
            "Adjusted mean, scale of analysis",
            _SCALE,
            4,
            "Mean at the average count before treatment.",
        ),
        SE_ANALYSED,
        *limits("of the variable", 3, "the adjusted mean, back-transformed"),
        number(
            "back_transformed",
            "Adjusted mean, back-transformed",
            "of the variable",
            3,
            "The adjusted mean back-transformed to the counted scale.",
        ),
    ),
)
COURSE_TESTS = Table(
    name="course_tests",
    sheet="All tests of courses",
    question=(
        "Treatments over the days after treatment, and their interaction with day, by "
        "every test made"
    ),
    row="a variable, source and test, over all days after treatment",
    columns=(
        VARIABLE,
        text(
            "source",
            "Source",
            "treatment: the mean over days; treatment:day: the interaction with day.",
        ),
        text("test", "Test", "How it was tested."),
        DF,
        DF_ERROR,
        F,
        P,
        flag("chosen", "Shown in the report", "Whether the report speaks of this test."),
        NOTE,
    ),
)
COURSE = Table(
    name="course",
    sheet="Means over the days",
    question="Mean of every treatment on every day, with its interval, as the figures show it",
    row="a variable, day and treatment",
    columns=(
        *DAY,
        TREATMENT,
        PLOTS,
        number("mean", "Mean as counted", "of the variable", 3, "Arithmetic mean of the plots."),
        *limits("of the variable", 3, "the mean"),
        text(
            "interval",
            "Interval from",
            "Where the interval comes from: the count model (of the mean as counted) or the "
            "scale of analysis (back-transformed).",
        ),
    ),
)
COUNT_MODELS = Table(
    name="count_models",
    sheet="Means by count models",
    question="Means and ratios to the untreated by models for counts and for shares k of n",
    row="a variable of counts or shares, day after treatment and treatment",
    columns=(
        *DAY,
        TREATMENT,
        number("mean", "Mean", "of the variable", 3, "Mean by the model; of shares in percent."),
        *limits("of the variable", 3, "the mean"),
        number("ratio", "Ratio to the untreated", "ratio", 3, "Mean over that of the untreated."),
        number("ratio_lower", "Ratio from", "ratio", 3, "Lower limit of the ratio."),
        number("ratio_upper", "Ratio to", "ratio", 3, "Upper limit of the ratio."),
        p_value("p", "p-value of the ratio", "p-value of a ratio of 1."),
        _DISPERSION,
        text("reason", "Why there is no ratio", "Why there is none; none where there is."),
        text("model", "Model", "Distribution of the counts."),
        number("odds", "Ratio of odds", "ratio", 3, "Of shares: odds over those of the untreated."),
        number("odds_lower", "Ratio of odds from", "ratio", 3, "Lower limit of the odds ratio."),
        number("odds_upper", "Ratio of odds to", "ratio", 3, "Upper limit of the odds ratio."),
        number("hits", "Units hit", "number", 0, "Of shares: k, summed over the plots."),
        number("examined", "Units examined", "number", 0, "Of shares: n, summed over the plots."),
        text(
            "note",
            "Remark on the limits",
            "Where limits are known to be too wide or one-sided; none elsewhere.",
        ),
    ),
)
COUNT_TESTS = Table(
    name="count_tests",
    sheet="All tests by count models",
    question="Treatments tested by models for counts and for shares k of n",
    row="a variable of counts or shares, day after treatment and model",
    columns=(
        *DAY,
        text("model", "Model", "Distribution of the counts."),
        DF,
        DF_ERROR,
        number(
            "F",
            "F",
            "number",
            3,
            "F: deviance of treatments over its degrees of freedom, over the dispersion.",
        ),
        number("deviance", "Deviance of treatments", "number", 3, "Deviance that they explain."),
        P,
        _DISPERSION,
        text(
            "note",
            "Remark on the test",
            "Where the test is known not to keep its level; none elsewhere.",
        ),
        text(
            "source",
            "Factor, where there are several errors",
            "Factor of a split-plot or strip-plot; none in other designs.",
        ),
    ),
)
STANDING = Table(
    name="standing",
    made_by="supporting.standing.standing_table",
    supporting=True,
    sheet="Other analyses",
    question="Is each difference in pest-days and yield also shown in other analyses?",
    row="a difference in pest-days or yield that was shown",
    columns=(
        *RESPONSE,
        text("a", "Treatment", "The treatment that is compared.", "treatment"),
        text("b", "Compared with", "What it is compared with.", "treatment"),
        text("direction", "Direction", "lower or higher: how a stands to b."),
        p_value(
            "p_adjusted",
            "Adjusted p-value",
            "Of Dunnett against the untreated; without one of the procedure of the settings.",
        ),
        number(
            "paths",
            "Other analyses",
            "number",
            0,
            "Other analyses tried: other scales, and each block and each outlying plot of "
            "the response left out in turn, where the difference can be tested.",
        ),
        number("stands", "Shown in", "number", 0, "Other analyses in which it is shown as well."),
        text(
            "falls",
            "Not shown",
            "Other analyses in which it is not; none where it is shown in all.",
        ),
        p_value("p_largest", "Largest p-value", "Largest adjusted p-value of all these analyses."),
    ),
)
NEIGHBOURS = Table(
    name="neighbours",
    made_by="supporting.neighbours.neighbour_table",
    supporting=True,
    sheet="All neighbours and edges",
    question=(
        "Whether counts depended on neighbouring plots and on the edge of the trial, day by day"
    ),
    row="a pest, day after treatment and question",
    columns=(
        *DAY,
        text("question", "Question", "Neighbouring plots, or the edge of the trial."),
        number(
            "before",
            "Neighbours as counted on day",
            "day",
            None,
            "Day of the earlier counts of the neighbours; none for the edge.",
        ),
        number(
            "slope",
            "Slope or difference, log10(count + 1)",
            "log10",
            3,
            "Slope on the counts of the neighbours, or plots at the edge less those inside.",
        ),
        p_value("p", "p-value", "p-value by permutation within treatments."),
        PLOTS,
        NOTE,
    ),
)
