"""Draws behind the intervals of control."""
