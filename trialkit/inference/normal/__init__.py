"""Fits of normal responses: linear, by strata, mixed, over days."""
