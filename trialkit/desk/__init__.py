"""The reviewer's desk: whose numbers, what changed, and is a printed table possible."""

from __future__ import annotations

from trialkit.desk.comparing import Comparison, compare

__all__ = ["Comparison", "compare"]
