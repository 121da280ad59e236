"""Control, how long it lasts, and what it costs."""
