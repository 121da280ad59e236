"""Tests by rearranging plots."""
