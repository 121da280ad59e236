"""Layouts, bases and scales: what every fit stands on."""
