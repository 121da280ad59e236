"""Files to a Trial."""
