"""Files to a Trial: folder, workbook or flat table."""

from trialkit.reading.reader import Reading, read, read_trial

__all__ = ["Reading", "read", "read_trial"]
