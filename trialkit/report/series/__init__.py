"""The report of a series of trials: its parts fill the same Document as those of one trial."""
