"""Analysis to sentences: few, ranked, each true to its numbers and their intervals."""

from trialkit.findings.sentences import Finding, Number
from trialkit.findings.story import make_findings

__all__ = ["Finding", "Number", "make_findings"]
