"""Trial to Analysis: the only room that knows both measures and inference."""

from trialkit.analysis.columns import COLUMNS
from trialkit.analysis.engine import analyse
from trialkit.analysis.result import Analysis

__all__ = ["COLUMNS", "Analysis", "analyse"]
