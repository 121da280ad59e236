"""Trial to Analysis: the only room that knows both measures and inference."""

from trialkit.analysis.engine import analyse
from trialkit.analysis.result import COLUMNS, Analysis

__all__ = ["COLUMNS", "Analysis", "analyse"]
