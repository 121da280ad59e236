"""Plots and responses: what is tested, on which scale."""
