"""Tables of special questions: carrier, mixtures, rates, yield lost, returns, programmes."""

from __future__ import annotations

from trialkit.analysis.schema.columns import (
    DAY,
    DAYS_AFTER,
    NOTE,
    PLOTS,
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

_POINTS = "percentage points"
_FULL = text("full", "Full rate", "The full rate of the same product.", "treatment")
_PARTS = text("parts", "Parts", "Ids of the parts, joined by +.")
_EXPECTED = number(
    "expected", "Expected, %", "%", 1, "Control expected from that of the parts (Colby)."
)
_OBSERVED = number("observed", "Observed, %", "%", 1, "Control of the mixture.")
_DIFFERENCE = number(
    "difference", "Difference, points", _POINTS, 1, "Control observed less that expected."
)
_VERDICT = text(
    "verdict",
    "Verdict",
    "more than expected, less than expected, or as expected where the interval includes 0, "
    "which is no proof of independence.",
)

CARRIER = Table(
    name="carrier",
    made_by="efficacy.carrier.carrier_table",
    sheet="All carrier effects",
    question="Control split into the effect of the carrier and that of the product",
    row="a variable, day after treatment, product and carrier",
    columns=(
        *DAY,
        TREATMENT,
        text("carrier", "Carrier", "The treatment with the carrier alone.", "treatment"),
        number("percent", "Control, %", "%", 1, "Control of the product against the untreated."),
        number("carrier_percent", "Control of the carrier, %", "%", 1, "That of the carrier."),
        number(
            "added_percent",
            "Control against the carrier, %",
            "%",
            1,
            "Share of the pest left by the carrier that the product took away.",
        ),
        *limits("%", 1, "control against the carrier"),
        p_value("p", "p-value", "Two-sided p-value of no effect beyond the carrier."),
        REASON,
    ),
)
MIXTURES = Table(
    name="mixtures",
    made_by="efficacy.mixtures.mixture_table",
    sheet="All mixtures",
    question="Control of mixtures against that expected from their parts",
    row="a variable, day after treatment and mixture",
    columns=(
        *DAY,
        TREATMENT,
        _PARTS,
        _EXPECTED,
        _OBSERVED,
        _DIFFERENCE,
        *limits(_POINTS, 1, "the difference"),
        P,
        _VERDICT,
        REASON,
    ),
)
MIXTURE_PERIODS = Table(
    name="mixture_periods",
    made_by="efficacy.mixtures.mixture_period_table",
    sheet="Mixtures over all days",
    question="Control of mixtures against that expected from their parts, over all days after "
    "treatment",
    row="a variable and mixture; control of the pest-days of all days after treatment",
    columns=(
        VARIABLE,
        TREATMENT,
        _PARTS,
        number("days", "Days assessed", "number", 0, "Days on which all of them were assessed."),
        number(
            "adjustment",
            "Power of the count before treatment",
            "ratio",
            2,
            "0: not allowed for (Abbott); 1: in full (Henderson-Tilton).",
        ),
        _EXPECTED,
        _OBSERVED,
        _DIFFERENCE,
        *limits(_POINTS, 1, "the difference"),
        P,
        _VERDICT,
        REASON,
    ),
)
RATES = Table(
    name="rates",
    made_by="efficacy.rates.rate_table",
    sheet="All rates",
    question="Lower rates against the full rate",
    row="a variable, day after treatment and lower rate",
    columns=(
        *DAY,
        TREATMENT,
        _FULL,
        number("control", "Control, %", "%", 1, "Control of the lower rate."),
        number("control_full", "Control of the full rate, %", "%", 1, "That of the full rate."),
        number("difference", "Difference, points", _POINTS, 1, "Lower rate less full rate."),
        *limits(_POINTS, 1, "the difference"),
        number("margin", "Margin, points", _POINTS, None, "Loss still called not inferior."),
        flag(
            "not_inferior",
            "Not inferior by the margin",
            "Whether the lower limit stays above minus the margin.",
        ),
        REASON,
    ),
)
RATE_PERSISTENCE = Table(
    name="rate_persistence",
    sheet="Rates and persistence",
    question="How long lower rates held the target, against the full rate",
    row="a variable and lower rate; days count up to the last assessment",
    columns=(
        VARIABLE,
        TREATMENT,
        _FULL,
        number(
            "holds_until_day", "Target held until day", "day", 1, "0 where it was never reached."
        ),
        number(
            "full_holds_until_day", "Full rate, until day", "day", 1, "The same of the full rate."
        ),
        number("difference", "Difference, days", "days", 1, "Lower rate less full rate."),
        *limits("days", 1, "the difference"),
        P,
        NOTE,
    ),
)
RATE_START = Table(
    name="rate_start",
    made_by="efficacy.rate_start.rate_start_table",
    supporting=True,
    sheet="Rates and numbers at the start",
    question="Lower rates against the full rate where there were more pests before treatment",
    row="a pest, lower rate and day after treatment; no day: pest-days of all days together",
    columns=(
        VARIABLE,
        number(
            "days_after",
            "Days after application (empty: all days together)",
            "day",
            None,
            "Day of the assessment; none for all days together.",
        ),
        TREATMENT,
        _FULL,
        text("level", "Counts before treatment of", "plots, or blocks (their means)."),
        number(
            "start_lowest",
            "Lowest count before treatment",
            "of the variable",
            1,
            "Of the plots of both rates.",
        ),
        number(
            "start_highest",
            "Highest count before treatment",
            "of the variable",
            1,
            "Of the plots of both rates.",
        ),
        number(
            "ratio",
            "Survivors against the full rate, factor for a doubling",
            "ratio",
            3,
            "By how much pests left by the lower rate, as a multiple of those left by the full "
            "rate, grow with a doubling of the count before treatment.",
        ),
        number("ratio_lower", "Factor, interval from", "ratio", 3, "Lower limit of the factor."),
        number("ratio_upper", "Factor, interval to", "ratio", 3, "Upper limit of the factor."),
        number(
            "points",
            "Change of the difference in control for a doubling, points",
            _POINTS,
            1,
            "What such a doubling changes in control of the lower rate less that of the full rate.",
        ),
        *limits(_POINTS, 1, "that change", "Change, interval"),
        p_value("p", "p-value", "p-value of a factor of 1."),
        NOTE,
        REASON,
    ),
)
LOSS = Table(
    name="loss",
    made_by="efficacy.yield_loss.loss_table",
    sheet="All losses",
    question="Yield for each 100 units × days of pest or damage",
    row="a yield, pest or damage, and line",
    columns=(
        VARIABLE,
        text("pest", "Pest or damage", "The variable that the yield is set against.", "variable"),
        text(
            "basis",
            "Compared",
            "over treatments: a line through the treatment means; within treatments: among plots "
            "treated alike.",
        ),
        number(
            "slope", "Change of yield", "yield for 100 variable × days", 4, "Slope of the line."
        ),
        *limits("yield for 100 variable × days", 4, "the slope"),
        p_value("p", "p-value", "p-value of a slope of 0."),
        p_value(
            "p_lack_of_fit",
            "p-value, lack of fit",
            "Whether treatments differ in yield beyond any line on the true pest-days.",
        ),
        number(
            "share_explained",
            "Share of the treatment differences on the line, %",
            "%",
            1,
            "Share of the sum of squares of treatments that the line explains.",
        ),
        PLOTS,
        number(
            "corrected",
            "Change of yield, corrected",
            "yield for 100 variable × days",
            4,
            "Slope over treatments corrected for pest-days that are counted with error.",
        ),
        number(
            "corrected_lower",
            "Corrected change, interval from",
            "yield for 100 variable × days",
            4,
            "Lower limit of the corrected slope.",
        ),
        number(
            "corrected_upper",
            "Corrected change, interval to",
            "yield for 100 variable × days",
            4,
            "Upper limit of the corrected slope.",
        ),
    ),
)
MONEY = Table(
    name="money",
    sheet="All returns",
    question="Returns by treatment, for the unit of area of the yield",
    row="a treatment, where a price was given",
    columns=(
        VARIABLE,
        TREATMENT,
        number(
            "mean", "Least-squares mean yield", "of the variable", 3, "Least-squares mean yield."
        ),
        number("gross", "Return from the crop", "currency", 2, "Yield times price."),
        number("cost", "Cost of the treatment", "currency", 2, "As given."),
        number("net", "Return less cost", "currency", 2, "Gross return less cost."),
        number("gain", "Gain over the untreated", "currency", 2, "Net return less its own."),
        *limits("currency", 2, "the gain, price and costs taken as given"),
        p_value("p", "p-value", "Two-sided p-value of no gain, unadjusted."),
        number(
            "break_even_price",
            "Crop price from which it pays",
            "currency per yield",
            3,
            "Price at which the gain is 0.",
        ),
        number(
            "break_even_cost",
            "Cost up to which it pays",
            "currency",
            2,
            "Cost at which the gain is 0.",
        ),
        REASON,
    ),
)
PROGRAMMES = Table(
    name="programmes",
    made_by="efficacy.mode_of_action.programme_table",
    sheet="Repeated modes of action",
    question="Treatments that repeat a mode-of-action group in successive applications",
    row="a treatment and pair of successive applications with the same group",
    columns=(
        TREATMENT,
        text("group", "Group", "Mode-of-action group, as given."),
        text("first", "Application", "Number of the earlier application."),
        text("second", "Next application", "Number of the next application."),
    ),
)
TIMING = Table(
    name="timing",
    made_by="efficacy.mode_of_action.timing_table",
    sheet="Days after own applications",
    question="How long after its own latest application each treatment was assessed",
    row="a day of assessment and a treatment, where the trial has several dates of application",
    columns=(
        DAYS_AFTER,
        TREATMENT,
        number(
            "applications",
            "Applications before",
            "number",
            0,
            "Dates before the day on which the treatment was put out.",
        ),
        number(
            "since_latest",
            "Days after its latest application",
            "days",
            None,
            "Days from the last of these; none where there is none.",
        ),
    ),
)
