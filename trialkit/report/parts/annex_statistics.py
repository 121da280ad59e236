"""Long tables of checks, factors, courses, contrasts and adjustments for the workbook."""

from __future__ import annotations

from collections.abc import Iterator

from trialkit.report.context import Context
from trialkit.report.document import Kind, Listing
from trialkit.report.parts.annex import INTERVAL, RESPONSE, LongTable, listings

_TEXT, _NUMBER, _P = Kind.TEXT, Kind.NUMBER, Kind.P_VALUE
_DAY = (
    ("variable", "Variable", _TEXT, None),
    ("days_after", "Days after application", _NUMBER, None),
)

STATISTICS: tuple[LongTable, ...] = (
    LongTable(
        "diagnostics",
        "All checks",
        "Every check of every response",
        (
            *RESPONSE,
            ("check", "Check", _TEXT, None),
            ("statistic", "Statistic", _NUMBER, 4),
            ("p", "p-value", _P, None),
            ("verdict", "Verdict", _TEXT, None),
            ("plot", "Plot", _TEXT, None),
        ),
    ),
    LongTable(
        "residuals",
        "Residuals",
        "What treatments and blocks leave over in every plot, on the scale of analysis",
        (
            *RESPONSE,
            ("plot", "Plot", _TEXT, None),
            ("fitted", "Fitted", _NUMBER, 4),
            ("residual", "Residual", _NUMBER, 4),
            ("studentized", "Studentized residual", _NUMBER, 3),
        ),
    ),
    LongTable(
        "contrasts",
        "All rates and groups",
        "Rate trends and groups of treatments in every response, on the scale of analysis",
        (
            *RESPONSE,
            ("contrast", "Comparison", _TEXT, None),
            ("estimate", "Estimate", _NUMBER, 4),
            ("se", "Standard error", _NUMBER, 4),
            ("df", "Degrees of freedom", _NUMBER, 1),
            ("p", "p-value", _P, None),
            *INTERVAL,
            ("note", "What it compares", _TEXT, None),
        ),
    ),
    LongTable(
        "factor_means",
        "All means of factors",
        "Means of the levels of each factor over the others",
        (
            *RESPONSE,
            ("factor", "Factor", _TEXT, None),
            ("level", "Level", _TEXT, None),
            ("n", "Plots", _NUMBER, 0),
            ("mean", "Mean as counted", _NUMBER, 3),
            ("mean_analysed", "Least-squares mean, scale of analysis", _NUMBER, 4),
            ("se", "Standard error, scale of analysis", _NUMBER, 4),
            ("letters", "Letters", _TEXT, None),
        ),
    ),
    LongTable(
        "factor_differences",
        "All standard errors of factors",
        "Standard errors of differences of means, by what is compared",
        (
            *RESPONSE,
            ("between", "Difference between", _TEXT, None),
            ("se", "Standard error", _NUMBER, 4),
            ("df", "Degrees of freedom", _NUMBER, 1),
            ("relative_efficiency", "Against plots without main plots, times", _NUMBER, 3),
            ("reason", "Why there is no efficiency", _TEXT, None),
        ),
    ),
    LongTable(
        "course_tests",
        "All tests of courses",
        "Level and course of treatments over the days after treatment, by every test made",
        (
            ("variable", "Variable", _TEXT, None),
            ("source", "Source", _TEXT, None),
            ("test", "Test", _TEXT, None),
            ("df", "Degrees of freedom", _NUMBER, 1),
            ("df_error", "Degrees of freedom, error", _NUMBER, 1),
            ("F", "F", _NUMBER, 3),
            ("p", "p-value", _P, None),
            ("note", "Note", _TEXT, None),
        ),
    ),
    LongTable(
        "covariate",
        "All adjusted tests",
        "Analysis of covariance on the count before treatment",
        (
            *_DAY,
            ("n", "Plots used", _NUMBER, 0),
            ("slope", "Slope", _NUMBER, 4),
            ("se", "Standard error of the slope", _NUMBER, 4),
            ("p_slope", "p-value of the slope", _P, None),
            ("p_equal_slopes", "p-value, slopes differ", _P, None),
            ("df_error", "Degrees of freedom, error", _NUMBER, 1),
            ("F", "F for treatments, adjusted", _NUMBER, 3),
            ("p", "p-value of treatments, adjusted", _P, None),
            ("precision", "Precision gained, times", _NUMBER, 3),
            ("p_main", "p-value of the main factor, adjusted", _P, None),
            ("p_sub", "p-value of the sub factor, adjusted", _P, None),
            ("p_interaction", "p-value of both factors together, adjusted", _P, None),
            ("note", "Note", _TEXT, None),
        ),
    ),
    LongTable(
        "adjusted_means",
        "Adjusted means",
        "Means adjusted for the count before treatment",
        (
            *_DAY,
            ("treatment", "Treatment", _TEXT, None),
            ("mean_adjusted", "Adjusted mean, scale of analysis", _NUMBER, 4),
            ("se", "Standard error, scale of analysis", _NUMBER, 4),
            ("back_transformed", "Adjusted mean, brought back", _NUMBER, 3),
            *INTERVAL,
        ),
    ),
    LongTable(
        "count_models",
        "Means by count models",
        "Means and ratios to the untreated by models for counts and for shares k of n",
        (
            *_DAY,
            ("treatment", "Treatment", _TEXT, None),
            ("mean", "Mean", _NUMBER, 3),
            *INTERVAL,
            ("ratio", "Ratio to the untreated", _NUMBER, 3),
            ("ratio_lower", "Ratio from", _NUMBER, 3),
            ("ratio_upper", "Ratio to", _NUMBER, 3),
            ("p", "p-value of the ratio", _P, None),
            ("dispersion", "Dispersion, or correlation of units", _NUMBER, 3),
            ("reason", "Why there is no ratio", _TEXT, None),
            ("model", "Model", _TEXT, None),
            ("odds", "Ratio of odds", _NUMBER, 3),
            ("odds_lower", "Ratio of odds from", _NUMBER, 3),
            ("odds_upper", "Ratio of odds to", _NUMBER, 3),
            ("hits", "Units hit", _NUMBER, 0),
            ("examined", "Units examined", _NUMBER, 0),
            ("note", "What is to be known of the limits", _TEXT, None),
        ),
    ),
    LongTable(
        "count_tests",
        "All tests by count models",
        "Treatments tested by models for counts and for shares k of n",
        (
            *_DAY,
            ("model", "Model", _TEXT, None),
            ("df", "Degrees of freedom", _NUMBER, 0),
            ("df_error", "Degrees of freedom, error", _NUMBER, 0),
            ("F", "F", _NUMBER, 3),
            ("deviance", "Deviance of treatments", _NUMBER, 3),
            ("p", "p-value", _P, None),
            ("dispersion", "Dispersion, or correlation of units", _NUMBER, 3),
            ("note", "What is to be known of the test", _TEXT, None),
            ("source", "Factor, where there are several errors", _TEXT, None),
        ),
    ),
    LongTable(
        "recovered",
        "Means with blocks recovered",
        "Means of treatments with the information between incomplete blocks",
        (
            *RESPONSE,
            ("treatment", "Treatment", _TEXT, None),
            ("mean_analysed", "Mean, scale of analysis", _NUMBER, 4),
            ("se", "Standard error, scale of analysis", _NUMBER, 4),
            ("back_transformed", "Mean, brought back", _NUMBER, 3),
            *INTERVAL,
        ),
    ),
    LongTable(
        "recovered_tests",
        "Tests with blocks recovered",
        "Treatments tested with the information between incomplete blocks",
        (
            *RESPONSE,
            ("variance_blocks", "Variance between blocks", _NUMBER, 4),
            ("variance_plots", "Variance between plots", _NUMBER, 4),
            ("recovery", "Precision gained, times", _NUMBER, 3),
            ("df", "Degrees of freedom", _NUMBER, 0),
            ("df_error", "Degrees of freedom, error", _NUMBER, 1),
            ("F", "F", _NUMBER, 3),
            ("p", "p-value", _P, None),
            ("reason", "Why there is no value", _TEXT, None),
        ),
    ),
)


def long_statistics(context: Context) -> Iterator[Listing]:
    """Make the long tables that have rows."""
    return listings(context, STATISTICS)
