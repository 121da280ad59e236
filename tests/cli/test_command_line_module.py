"""The command line runs as a module where its script is not on the path."""

from __future__ import annotations

import subprocess
import sys


def test_runs_as_a_module() -> None:
    found = subprocess.run(
        [sys.executable, "-m", "trialkit", "--help"], capture_output=True, text=True, check=False
    )
    assert found.returncode == 0, found.stderr
    assert "report" in found.stdout
