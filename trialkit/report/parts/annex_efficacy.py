"""Long tables of control, persistence, natural enemies, products and returns for the workbook."""

from __future__ import annotations

from collections.abc import Iterator

from trialkit.report.context import Context
from trialkit.report.document import Kind, Table
from trialkit.report.parts.annex import INTERVAL, LongTable, long_table

_TEXT, _NUMBER, _P = Kind.TEXT, Kind.NUMBER, Kind.P_VALUE
_VARIABLE = ("variable", "Variable", _TEXT, None)
_TREATMENT = ("treatment", "Treatment", _TEXT, None)
_REASON = ("reason", "Why there is no value", _TEXT, None)
_DAY = (_VARIABLE, ("days_after", "Days after application", _NUMBER, None))
_PERCENTS = (
    ("lower", "Interval from, %", _NUMBER, 1),
    ("upper", "Interval to, %", _NUMBER, 1),
)
_POINTS = (
    ("difference", "Difference, points", _NUMBER, 1),
    ("lower", "Interval from, points", _NUMBER, 1),
    ("upper", "Interval to, points", _NUMBER, 1),
)

EFFICACY: tuple[LongTable, ...] = (
    LongTable(
        "block_control",
        "Control by block",
        "Percent control of each block on its own. Data, not an estimate: their average is biased, "
        "as a block with few pests in the untreated pulls it down",
        (
            *_DAY,
            ("block", "Block", _TEXT, None),
            _TREATMENT,
            ("method", "Method", _TEXT, None),
            ("percent", "Control, %", _NUMBER, 1),
            _REASON,
        ),
    ),
    LongTable(
        "control_methods",
        "Methods of control compared",
        "Widths of the intervals of control with and without the count before treatment",
        (
            _VARIABLE,
            ("method", "Method shown", _TEXT, None),
            ("other", "Compared with", _TEXT, None),
            ("before", "Mean before treatment", _NUMBER, 2),
            ("p_before", "p-value, treatments before treatment", _P, None),
            ("width", "Width of its intervals, points (median)", _NUMBER, 1),
            ("width_other", "Width by the other, points (median)", _NUMBER, 1),
            ("times", "Times as wide (median)", _NUMBER, 2),
            ("recommendation", "Recommendation", _TEXT, None),
        ),
    ),
    LongTable(
        "persistence",
        "All persistence",
        "How fast control came, how long the target was held, and how it fell",
        (
            _VARIABLE,
            _TREATMENT,
            ("target", "Target, %", _NUMBER, None),
            ("knockdown_percent", "Control at the first assessment, %", _NUMBER, 1),
            ("peak_percent", "Highest control, %", _NUMBER, 1),
            ("peak_day", "Day of the highest", _NUMBER, None),
            ("holds_until_day", "Target held until day", _NUMBER, 1),
            ("lower", "Interval from day (0: perhaps never)", _NUMBER, 1),
            ("upper", "Interval to day (empty: perhaps beyond the last)", _NUMBER, 1),
            ("censored", "Held to the last assessment", _TEXT, None),
            ("rebound_percent", "Fall after the highest, points", _NUMBER, 1),
            ("last_percent", "Control at the last assessment, %", _NUMBER, 1),
            ("last_day", "Last day", _NUMBER, None),
            _REASON,
        ),
    ),
    LongTable(
        "persistence_differences",
        "All persistence compared",
        "Days at the target, and control at the first assessment, compared pair by pair",
        (
            _VARIABLE,
            ("question", "Compared", _TEXT, None),
            ("a", "Treatment", _TEXT, None),
            ("b", "Compared with", _TEXT, None),
            ("value_a", "Value of the treatment", _NUMBER, 1),
            ("value_b", "Value of the other", _NUMBER, 1),
            ("difference", "Difference", _NUMBER, 1),
            *INTERVAL,
            ("bound", "The difference is", _TEXT, None),
            ("p", "p-value", _P, None),
            ("p_adjusted", "p-value, all pairs together (Holm)", _P, None),
            _REASON,
        ),
    ),
    LongTable(
        "reductions",
        "All reductions",
        "The whole period against the untreated",
        (
            _VARIABLE,
            ("measure", "Measure", _TEXT, None),
            _TREATMENT,
            ("mean", "Mean", _NUMBER, 2),
            ("percent", "Reduction, %", _NUMBER, 1),
            *_PERCENTS,
            ("p", "p-value", _P, None),
            ("harm_class", "Class of harm (natural enemies)", _TEXT, None),
            _REASON,
        ),
    ),
    LongTable(
        "days_above",
        "All days above threshold",
        "Days on which the mean of each treatment stood above the action threshold",
        (
            _VARIABLE,
            _TREATMENT,
            ("threshold", "Threshold", _NUMBER, None),
            ("span", "Days assessed", _NUMBER, None),
            ("days", "Days above", _NUMBER, 2),
            ("lower", "Interval from, days", _NUMBER, 2),
            ("upper", "Interval to, days", _NUMBER, 2),
            ("difference", "Fewer than the untreated, days", _NUMBER, 2),
            ("difference_lower", "Interval of these from, days", _NUMBER, 2),
            ("difference_upper", "Interval of these to, days", _NUMBER, 2),
            ("reason", "Why there is no comparison", _TEXT, None),
        ),
    ),
    LongTable(
        "natural_enemies",
        "All natural enemies",
        "Reduction of natural enemies on every day, with class (IOBC field scheme)",
        (
            *_DAY,
            _TREATMENT,
            ("percent", "Reduction, %", _NUMBER, 1),
            *_PERCENTS,
            ("p", "p-value", _P, None),
            ("harm_class", "Class", _TEXT, None),
            ("pest_per_enemy", "Pests for each enemy", _NUMBER, 2),
            ("pest_per_enemy_lower", "Pests for each enemy, interval from", _NUMBER, 2),
            ("pest_per_enemy_upper", "Pests for each enemy, interval to", _NUMBER, 2),
            ("pest_per_enemy_p", "p-value, as in the untreated", _P, None),
            _REASON,
        ),
    ),
    LongTable(
        "resurgence",
        "Resurgence",
        "Pests above the untreated after enemies had been below it",
        (
            _VARIABLE,
            ("enemy", "Natural enemy", _TEXT, None),
            _TREATMENT,
            ("enemy_day", "Day of fewer enemies", _NUMBER, None),
            ("enemy_percent", "Enemies below the untreated, %", _NUMBER, 1),
            ("pest_day", "Day of more pests", _NUMBER, None),
            ("pest_percent", "Pests above the untreated, %", _NUMBER, 1),
        ),
    ),
    LongTable(
        "carrier",
        "All of the carrier",
        "Control split into what the carrier did and what the product added",
        (
            *_DAY,
            _TREATMENT,
            ("carrier", "Carrier", _TEXT, None),
            ("percent", "Control, %", _NUMBER, 1),
            ("carrier_percent", "Control of the carrier, %", _NUMBER, 1),
            ("added_percent", "Control against the carrier, %", _NUMBER, 1),
            *_PERCENTS,
            ("p", "p-value", _P, None),
            _REASON,
        ),
    ),
    LongTable(
        "mixtures",
        "All mixtures",
        "Control of mixtures against what their parts let expect",
        (
            *_DAY,
            _TREATMENT,
            ("parts", "Parts", _TEXT, None),
            ("expected", "Expected, %", _NUMBER, 1),
            ("observed", "Observed, %", _NUMBER, 1),
            *_POINTS,
            ("p", "p-value", _P, None),
            ("verdict", "Verdict", _TEXT, None),
            _REASON,
        ),
    ),
    LongTable(
        "mixture_periods",
        "Mixtures over all days",
        "Control of mixtures against what their parts let expect, over all days after treatment",
        (
            _VARIABLE,
            _TREATMENT,
            ("parts", "Parts", _TEXT, None),
            ("days", "Days assessed", _NUMBER, 0),
            ("adjustment", "Power of the count before treatment", _NUMBER, 2),
            ("expected", "Expected, %", _NUMBER, 1),
            ("observed", "Observed, %", _NUMBER, 1),
            *_POINTS,
            ("p", "p-value", _P, None),
            ("verdict", "Verdict", _TEXT, None),
            _REASON,
        ),
    ),
    LongTable(
        "rates",
        "All rates",
        "Lower rates against the full rate",
        (
            *_DAY,
            _TREATMENT,
            ("full", "Full rate", _TEXT, None),
            ("control", "Control, %", _NUMBER, 1),
            ("control_full", "Control of the full rate, %", _NUMBER, 1),
            *_POINTS,
            ("margin", "Margin, points", _NUMBER, None),
            ("not_inferior", "Not inferior by the margin", _TEXT, None),
            _REASON,
        ),
    ),
    LongTable(
        "rate_start",
        "Rates and numbers at the start",
        "How lower rates compare with the full rate where more pests were there before treatment",
        (
            _VARIABLE,
            ("days_after", "Days after application (empty: all days together)", _NUMBER, None),
            _TREATMENT,
            ("full", "Full rate", _TEXT, None),
            ("level", "Counts before treatment of", _TEXT, None),
            ("start_lowest", "Lowest count before treatment", _NUMBER, 1),
            ("start_highest", "Highest count before treatment", _NUMBER, 1),
            ("ratio", "Survivors against the full rate, factor for a doubling", _NUMBER, 3),
            ("ratio_lower", "Factor, interval from", _NUMBER, 3),
            ("ratio_upper", "Factor, interval to", _NUMBER, 3),
            ("points", "Change of the difference in control for a doubling, points", _NUMBER, 1),
            ("lower", "Change, interval from, points", _NUMBER, 1),
            ("upper", "Change, interval to, points", _NUMBER, 1),
            ("p", "p-value", _P, None),
            ("note", "Note", _TEXT, None),
            _REASON,
        ),
    ),
    LongTable(
        "neighbours",
        "All neighbours and edges",
        "Whether counts followed the plots next door, and the edge of the trial, day by day",
        (
            *_DAY,
            ("question", "Question", _TEXT, None),
            ("before", "Neighbours as counted on day", _NUMBER, None),
            ("slope", "Slope or difference, log10(count + 1)", _NUMBER, 3),
            ("p", "p-value", _P, None),
            ("n", "Plots", _NUMBER, 0),
            ("note", "Note", _TEXT, None),
        ),
    ),
    LongTable(
        "loss",
        "All losses",
        "Yield for each 100 units \u00d7 days of pest or damage",
        (
            _VARIABLE,
            ("pest", "Pest or damage", _TEXT, None),
            ("basis", "Compared", _TEXT, None),
            ("slope", "Change of yield", _NUMBER, 4),
            *INTERVAL,
            ("p", "p-value", _P, None),
            ("p_lack_of_fit", "p-value, lack of fit", _P, None),
            ("share_explained", "Share of the treatment differences on the line, %", _NUMBER, 1),
            ("n", "Plots", _NUMBER, 0),
        ),
    ),
    LongTable(
        "money",
        "All returns",
        "Returns by treatment, for the unit of area of the yield",
        (
            _VARIABLE,
            _TREATMENT,
            ("mean", "Least-squares mean yield", _NUMBER, 3),
            ("gross", "Return from the crop", _NUMBER, 2),
            ("cost", "Cost of the treatment", _NUMBER, 2),
            ("net", "Return less cost", _NUMBER, 2),
            ("gain", "Gain over the untreated", _NUMBER, 2),
            *INTERVAL,
            ("chance_of_paying", "Chance that it paid, %", _NUMBER, 2),
            ("break_even_price", "Crop price from which it pays", _NUMBER, 3),
            ("break_even_cost", "Cost up to which it pays", _NUMBER, 2),
            _REASON,
        ),
    ),
    LongTable(
        "programmes",
        "Repeated modes of action",
        "Treatments that repeat a mode-of-action group in successive applications",
        (
            _TREATMENT,
            ("group", "Group", _TEXT, None),
            ("first", "Application", _TEXT, None),
            ("second", "Next application", _TEXT, None),
        ),
    ),
)


def long_efficacy(context: Context) -> Iterator[Table]:
    """Make the long tables of the efficacy story that have rows."""
    for item in EFFICACY:
        rows = context.table(item.name, item.columns[0][0])
        if not rows.empty:
            yield long_table(context, item, rows)
