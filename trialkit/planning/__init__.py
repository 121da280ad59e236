"""Everything before the first count: layout, counting sheets, mix sheets, numbers of blocks.

The plan of a trial is the trial itself: what is written here, `trialkit.report_trial` reads.
"""

from __future__ import annotations

from trialkit.planning.plan import Planned, plan_trial

__all__ = ["Planned", "plan_trial"]
