"""Comparisons of means, their distributions, letters and power."""
