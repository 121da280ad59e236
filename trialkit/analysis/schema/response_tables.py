"""Tables of the tests of each response: analysis of variance, means, comparisons, factors."""

from __future__ import annotations

from trialkit.analysis.schema.columns import (
    DF,
    DF_ERROR,
    LETTERS,
    MEAN_ANALYSED,
    NOTE,
    PLOTS,
    REASON,
    RESPONSE,
    SE_ANALYSED,
    TREATMENT,
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
_TRANSFORM = text(
    "transform", "Scale of analysis", "Scale on which the response was tested.", "scale"
)
_MEAN = number(
    "mean", "Mean as counted", "of the response", 3, "Arithmetic mean of the plots, as counted."
)
_P_RANDOMISED = p_value(
    "p_randomised",
    "p-value by randomisation",
    "Share of the arrangements permitted by the design whose F is as large: no distribution "
    "is assumed. None where no arrangements were drawn.",
)

_DF_ERROR_OF_F = number(
    "df_error",
    "Degrees of freedom, its error",
    "number",
    1,
    "Degrees of freedom of the error that F is tested against; none where there is no test.",
)
_DF_OF_T = number(
    "df",
    "Degrees of freedom",
    "number",
    1,
    "Degrees of freedom behind interval and p-value: those of the error, or after Satterthwaite "
    "(Kenward and Roger under REML) where several errors mix.",
)

ANOVA = Table(
    name="anova",
    sheet="All sources of variation",
    question="The analysis of variance of every response, source by source",
    row="a response and source of variation; blocks (rows, columns) first, treatments last",
    columns=(
        *RESPONSE,
        _TRANSFORM,
        text("source", "Source", "Source of variation; an error follows the sources it tests."),
        number("df", "Degrees of freedom", "number", 1, "Degrees of freedom of the source."),
        number(
            "sum_sq",
            "Sum of squares",
            "scale of analysis, squared",
            4,
            "Sequential sum of squares: of the source after those above it.",
        ),
        number(
            "mean_sq",
            "Mean square",
            "scale of analysis, squared",
            4,
            "Sum of squares over its degrees of freedom.",
        ),
        _DF_ERROR_OF_F,
        F,
        P,
        _P_RANDOMISED,
    ),
)
MEANS = Table(
    name="means",
    sheet="All means",
    question=(
        "Every mean: as counted, on the scale of analysis, and back-transformed with its interval"
    ),
    row="a response and treatment",
    columns=(
        *RESPONSE,
        TREATMENT,
        PLOTS,
        _MEAN,
        MEAN_ANALYSED,
        SE_ANALYSED,
        _DF_OF_T,
        *limits("of the response", 3, "the least-squares mean, back-transformed"),
        number(
            "back_transformed",
            "Least-squares mean, back-transformed",
            "of the response",
            3,
            "Least-squares mean back-transformed from the scale of analysis to the counted scale.",
        ),
        LETTERS,
        number(
            "mean_shown",
            "Mean shown",
            "of the response",
            3,
            "Mean as counted; where plots are missing, and of yields in incomplete blocks, the "
            "least-squares mean, as counted.",
        ),
        NOTE,
    ),
)
_PAIR = (
    number("difference", "Difference", _SCALE, 4, "Least-squares mean of a less that of b."),
    number("se", "Standard error", _SCALE, 4, "Standard error of the difference."),
    _DF_OF_T,
    p_value(
        "p_adjusted",
        "p-value",
        "p-value as the procedure adjusts it for the number of pairs; unadjusted under lsd.",
    ),
    text("method", "Procedure", "Procedure of comparison.", "method"),
    *limits(_SCALE, 4, "the difference, as the procedure gives it"),
    flag("different", "Shown to differ", "Whether the procedure calls the two different."),
)
COMPARISONS = Table(
    name="comparisons",
    sheet="All comparisons",
    question="Every pair of treatments that was compared: first minus second, on the scale of "
    "analysis",
    row="a response, procedure and pair of treatments",
    columns=(
        *RESPONSE,
        text("a", "First treatment", "The first of the pair.", "treatment"),
        text("b", "Second treatment", "The second of the pair.", "treatment"),
        *_PAIR,
    ),
)
UNEQUAL_COMPARISONS = Table(
    name="unequal_comparisons",
    sheet="Comparisons, own variances",
    question="Every pair of treatments compared with a variance for each treatment, for variables "
    "whose treatments differ in variance",
    row="a response, procedure and pair of treatments, where treatments differ in variance",
    columns=(
        *RESPONSE,
        text("a", "First treatment", "The first of the pair.", "treatment"),
        text("b", "Second treatment", "The second of the pair.", "treatment"),
        *_PAIR,
    ),
)
RESPONSES = Table(
    name="responses",
    sheet="All responses",
    question="The fit of every response in one row, and what it could have detected",
    row="a response",
    columns=(
        *RESPONSE,
        _TRANSFORM,
        text("comparison", "Procedure", "Procedure of comparison of the settings.", "method"),
        number("n_plots", "Plots", "number", 0, "Plots with a value."),
        number("n_missing", "Missing plots", "number", 0, "Plots without a value."),
        number("grand_mean", "Grand mean", _SCALE, 4, "Mean of all plots, scale of analysis."),
        number(
            "cv_percent",
            "Coefficient of variation, %",
            "%",
            1,
            "Root of the error mean square over the grand mean; none where that is not above 0.",
        ),
        number(
            "df_treatment", "Degrees of freedom, treatments", "number", 1, "Those of treatments."
        ),
        DF_ERROR,
        number(
            "ms_error",
            "Mean square, error",
            "scale of analysis, squared",
            4,
            "Variance of plots treated alike.",
        ),
        F,
        P,
        _P_RANDOMISED,
        number(
            "relative_efficiency",
            "Efficiency of blocking",
            "ratio",
            3,
            "How many times as many plots a completely randomised trial would have needed, "
            "corrected for its degrees of freedom; none without blocks.",
        ),
        number(
            "significant_difference",
            "Smallest significant difference",
            _SCALE,
            4,
            "Smallest difference that the procedure calls significant, on average over pairs.",
        ),
        number(
            "detectable_difference",
            "Smallest detectable difference",
            _SCALE,
            4,
            "True difference from the untreated (between two treatments where there is none) "
            "that such a trial would show four times out of five.",
        ),
        number(
            "detectable_percent",
            "Smallest detectable reduction, %",
            "%",
            1,
            "The same as a reduction of the untreated mean, as counted.",
        ),
        text(
            "recommendation",
            "Recommendation",
            "What the checks of the response recommend; keep where they raised no doubt.",
        ),
        text("note", "Note", "A remark on the fit; none where nothing needs saying."),
    ),
)
CHOICES = Table(
    name="choices",
    sheet="Scales of analysis",
    question="On which scale each variable was analysed, and why",
    row="a variable",
    columns=(
        RESPONSE[0],
        text("transform", "Scale of analysis", "The same on every day.", "scale"),
        number(
            "slope",
            "Slope of log variance on log mean",
            "ratio",
            2,
            "Taylor's slope over cells of treatment and day; none where no rule used it.",
        ),
        number("cells", "Cells", "number", 0, "Cells of treatment and day behind the slope."),
        text("rule", "Why", "The rule that chose, in a sentence."),
        number(
            "power",
            "Power that fits best",
            "ratio",
            2,
            "Most likely power of Box and Cox; 0 stands for the logarithm.",
        ),
        number("power_lower", "Power from", "ratio", 2, "Lower limit of the power."),
        number("power_upper", "Power to", "ratio", 2, "Upper limit of the power."),
        text(
            "recommendation",
            "Recommendation",
            "What the checks over all days of the variable recommend.",
        ),
        text(
            "area_transform",
            "Scale of areas under the curve",
            "Scale on which pest-days are analysed; none where there are none.",
            "scale",
        ),
        text("area_rule", "Why that of areas", "The rule that chose it, in a sentence."),
    ),
)
CONTRASTS = Table(
    name="contrasts",
    sheet="All rates and groups",
    question="Rate trends and groups of treatments in every response, on the scale of analysis",
    row="a response and planned comparison with one degree of freedom",
    columns=(
        *RESPONSE,
        text("contrast", "Comparison", "Its name."),
        number("estimate", "Estimate", _SCALE, 4, "Sum of means times coefficients."),
        number("se", "Standard error", _SCALE, 4, "Standard error of the estimate."),
        DF,
        P,
        *limits(_SCALE, 4, "the estimate"),
        text("note", "What it compares", "Treatments and rates that it compares."),
    ),
)
FACTOR_MEANS = Table(
    name="factor_means",
    sheet="All means of factors",
    question="Means of the levels of each factor over the others",
    row="a response, factor and level",
    columns=(
        *RESPONSE,
        text("factor", "Factor", "Factor of a split-plot, strip-plot or factorial trial."),
        text("level", "Level", "Level of the factor."),
        PLOTS,
        _MEAN,
        MEAN_ANALYSED,
        SE_ANALYSED,
        LETTERS,
    ),
)
FACTOR_COMPARISONS = Table(
    name="factor_comparisons",
    sheet="All comparisons of factors",
    question="Every pair of levels of a factor: first minus second, over the other factors, on the "
    "scale of analysis",
    row="a response, factor and pair of levels",
    columns=(
        *RESPONSE,
        text("factor", "Factor", "Factor of a split-plot, strip-plot or factorial trial."),
        text("a", "First level", "The first of the pair."),
        text("b", "Second level", "The second of the pair."),
        *_PAIR,
    ),
)
FACTOR_DIFFERENCES = Table(
    name="factor_differences",
    sheet="All standard errors of factors",
    question="Standard errors of differences of means, by what is compared",
    row="a response and kind of difference",
    columns=(
        *RESPONSE,
        text("between", "Difference between", "Which means the difference is between."),
        number("se", "Standard error", _SCALE, 4, "Standard error of such a difference."),
        DF,
        number(
            "relative_efficiency",
            "Against plots without main plots, times",
            "ratio",
            3,
            "Precision of such a difference over that of the same plots in blocks without larger "
            "units.",
        ),
        text("reason", "Why there is no efficiency", "Why there is none; none where there is."),
    ),
)
RECOVERED = Table(
    name="recovered",
    sheet="Means, blocks as random",
    question="Means of treatments with the information between incomplete blocks",
    row="a response and treatment, in incomplete blocks",
    columns=(
        *RESPONSE,
        TREATMENT,
        MEAN_ANALYSED,
        SE_ANALYSED,
        *limits("of the response", 3, "the mean, back-transformed"),
        number(
            "back_transformed",
            "Mean, back-transformed",
            "of the response",
            3,
            "The mean back-transformed to the counted scale.",
        ),
    ),
)
RECOVERED_TESTS = Table(
    name="recovered_tests",
    sheet="Tests, blocks as random",
    question="Treatments tested with the information between incomplete blocks",
    row="a response, in incomplete blocks",
    columns=(
        *RESPONSE,
        number(
            "variance_blocks",
            "Variance between blocks",
            "scale of analysis, squared",
            4,
            "Variance of blocks treated alike.",
        ),
        number(
            "variance_plots",
            "Variance between plots",
            "scale of analysis, squared",
            4,
            "Variance of plots of a block treated alike.",
        ),
        number(
            "recovery",
            "Precision gained, times",
            "ratio",
            3,
            "Variance of a difference within blocks alone, divided by that with information "
            "between blocks.",
        ),
        DF,
        DF_ERROR,
        F,
        P,
        REASON,
    ),
)
RESIDUALS = Table(
    name="residuals",
    sheet="Residuals",
    question=(
        "What treatments and blocks leave unexplained in every plot, on the scale of analysis"
    ),
    row="a response and plot",
    columns=(
        *RESPONSE,
        text("plot", "Plot", "The plot of the row.", "plot"),
        number("fitted", "Fitted", _SCALE, 4, "Fitted value of the plot."),
        number("residual", "Residual", _SCALE, 4, "Value of the plot less the fitted one."),
        number(
            "studentized",
            "Studentized residual",
            "number",
            3,
            "Residual over its standard error, the plot itself left out of the error.",
        ),
    ),
    recorded=False,
)
