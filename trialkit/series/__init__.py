"""Several trials together: what they were matched to, and what they say as one."""
