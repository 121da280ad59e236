"""Trial to Analysis: the only room that knows both measures and inference."""

from trialkit.analysis.engine import analyse
from trialkit.analysis.result import Analysis
from trialkit.analysis.schema import COLUMNS

__all__ = ["COLUMNS", "Analysis", "analyse"]
