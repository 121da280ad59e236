"""The record: all that is needed to run an analysis again, and to check that it agrees."""

from trialkit.record.again import Agreement, Difference, compare_tables, rerun
from trialkit.record.reading import read_record, trial_from_record
from trialkit.record.writing import make_record, rows_of, write_record

__all__ = [
    "Agreement",
    "Difference",
    "compare_tables",
    "make_record",
    "read_record",
    "rerun",
    "rows_of",
    "trial_from_record",
    "write_record",
]
