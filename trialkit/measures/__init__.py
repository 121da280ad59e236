"""Arithmetic on arrays: percent control, pest-days, yield and the like; no tests, no files."""
