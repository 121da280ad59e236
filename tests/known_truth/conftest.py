"""Let ``from known_truth import ...`` find the generators of this folder."""

import sys
from pathlib import Path

_TESTS = str(Path(__file__).parents[1])
if _TESTS not in sys.path:
    sys.path.insert(0, _TESTS)
