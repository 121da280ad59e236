"""Small numerical tools."""
