"""Everything before the first count: layout, counting sheets, mix sheets, numbers of blocks.

The plan of a trial is the trial itself: what is written here, `trialkit.report_trial` reads.
"""

from __future__ import annotations

from trialkit.planning.blank import start_trial
from trialkit.planning.earlier import field_of
from trialkit.planning.fields import Field
from trialkit.planning.left_over import actual_doses
from trialkit.planning.mix import MixSheet, mix_sheet
from trialkit.planning.plan import Planned, plan_trial
from trialkit.planning.power import BlocksNeeded, blocks_needed
from trialkit.planning.writing import write_plan

__all__ = [
    "BlocksNeeded",
    "Field",
    "MixSheet",
    "Planned",
    "actual_doses",
    "blocks_needed",
    "field_of",
    "mix_sheet",
    "plan_trial",
    "start_trial",
    "write_plan",
]
