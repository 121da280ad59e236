"""Files to a Trial, and back: folder, workbook or flat table."""

from trialkit.reading.from_tables import trial_from_tables
from trialkit.reading.reader import Reading, read, read_protocol, read_trial
from trialkit.reading.saving import save_trial

__all__ = ["Reading", "read", "read_protocol", "read_trial", "save_trial", "trial_from_tables"]
