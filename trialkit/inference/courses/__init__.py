"""How the share of a pest that treatments leave changes over days, and when it passes a limit."""
