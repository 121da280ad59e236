"""Tables of what was shown: the questions of a trial held together, and page 1 in rows."""

from __future__ import annotations

from trialkit.analysis.schema.columns import (
    DAYS_AFTER,
    NOTE,
    TREATMENT,
    VARIABLE,
    Table,
    flag,
    limits,
    number,
    p_value,
    text,
)

CLAIMS = Table(
    name="claims",
    sheet="What was shown",
    question="What was shown, each question by one test and all questions together",
    row="a question, variable and pair of treatments; over the whole trial, or behind that a day",
    columns=(
        text(
            "question",
            "Question",
            "pest, damage, crop injury, crop, enemies, yield or return: each treatment against the "
            "untreated; reference: each product against the reference; pairs: all pairs. Not on "
            "page 1: carrier; rate: a lower against the full rate; fall: the last count against "
            "those before it; resurgence: days after the loss of natural enemies.",
        ),
        VARIABLE,
        text(
            "scope",
            "Scope",
            "whole trial; day: control on that day; target: control above the target on that day, "
            "or over the whole trial.",
        ),
        DAYS_AFTER,
        text("a", "Treatment", "The treatment that is compared.", "treatment"),
        text("b", "Compared with", "What it is compared with.", "treatment"),
        text("direction", "Direction", "lower or higher: how a stands to b in this trial."),
        number(
            "percent",
            "Reduction, %",
            "%",
            1,
            "By how much counts of a pest or damage lay below b over the whole trial, each day of "
            "equal weight, by the test itself where it allows for the count before treatment; "
            "none elsewhere.",
        ),
        *limits("%", 1, "that reduction, on its own"),
        p_value(
            "p_adjusted",
            "Adjusted p-value",
            "Adjusted over all rows of the question; of a day at least that of its treatment over "
            "the whole trial.",
        ),
        number(
            "level",
            "Level on page 1",
            "probability",
            4,
            "Share of the level of the settings that page 1 leaves to this question; none where it "
            "does not ask it.",
        ),
        flag(
            "with_start",
            "With the value before",
            "Whether the test allows for the value before treatment, as a covariate.",
        ),
        flag("shown", "Shown", "Whether p is at or below the level of the settings."),
        flag("front", "Shown on page 1", "Whether p is at or below the level on page 1."),
    ),
)
GLANCE = Table(
    name="glance",
    sheet="At a glance",
    question="Every treatment at a glance",
    row="a treatment and question, as page 1 prints it",
    columns=(
        TREATMENT,
        text(
            "question",
            "Question",
            "control_first, control_best, control_last: percent control on the first day, the "
            "best, the last; held_until: day until which the target was held; pest_days, enemies: "
            "change against the untreated over the whole trial, of pests and damages that of the "
            "test where it allows for the count before; yield; return: gain over the "
            "untreated after cost.",
        ),
        VARIABLE,
        DAYS_AFTER,
        number("value", "Value", "of the row", None, "The estimate, in the unit of the row."),
        number(
            "lower",
            "Interval from",
            "of the row",
            None,
            "Lower limit, at the level of the settings (1 less alpha), each interval on its own.",
        ),
        number(
            "upper",
            "Interval to",
            "of the row",
            None,
            "Upper limit, at the level of the settings (1 less alpha), each interval on its own.",
        ),
        text("unit", "Unit", "Unit of the value; none where none was given."),
        flag(
            "shown",
            "Shown",
            "Whether a difference from the untreated was shown (of held_until: that the target "
            "was reached), held together with everything that page 1 says.",
        ),
        NOTE,
    ),
)
