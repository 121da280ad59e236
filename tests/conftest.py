"""What all tests share: hypothesis draws the same cases on every run, so that CI is steady.

For a wider search run ``HYPOTHESIS_PROFILE=search python -m pytest tests/inference``.
"""

from __future__ import annotations

import os

from hypothesis import settings

settings.register_profile("steady", derandomize=True, deadline=None, print_blob=True)
settings.register_profile("search", deadline=None, max_examples=500)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "steady"))
