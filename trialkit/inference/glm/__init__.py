"""Counts and shares as such."""
