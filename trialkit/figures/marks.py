"""What stands beside a mean: its letters, or a sign that it differs from the untreated."""

from __future__ import annotations

from typing import TYPE_CHECKING

from trialkit.rows import Rows, defined
from trialkit.trial import Comparison

if TYPE_CHECKING:
    from trialkit.analysis import Analysis

DIFFERS = "*"


def marks(analysis: Analysis, rows: Rows) -> dict[tuple[float, str], str]:
    """Find what stands beside the means of one variable and measure.

    Parameters
    ----------
    analysis : Analysis
    rows : Rows
        Rows of ``means`` of one variable and measure.

    Returns
    -------
    dict of (day, treatment) to str
        The day is 0 where a measure has none. Letters where all pairs were compared, an asterisk
        where a treatment differs from the untreated; nothing where there is nothing to say.
    """
    if rows.knows("letters"):
        return {
            (day if defined(day) else 0.0, treatment): letters
            for day, treatment, letters in zip(
                rows["days_after"], rows["treatment"], rows["letters"], strict=True
            )
            if isinstance(letters, str) and letters
        }
    if analysis.trial.settings.comparison is not Comparison.DUNNETT or not rows:
        return {}
    pairs = analysis.comparisons
    if "different" not in pairs:
        return {}
    pairs = pairs[
        (pairs["variable"] == rows["variable"][0])
        & (pairs["measure"] == rows["measure"][0])
        & (pairs["method"] == "dunnett")
        & pairs["different"].eq(True)
    ]
    return dict.fromkeys(zip(pairs["days_after"].fillna(0.0), pairs["a"], strict=True), DIFFERS)
