"""Checks of assumptions."""
