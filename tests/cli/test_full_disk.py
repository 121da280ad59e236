"""Output that cannot be written."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

import trialkit


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="a device of Linux")
@pytest.mark.parametrize("rest", [["--help"], ["check", "leaf_beetle_potato"]])
def test_a_full_disk_is_a_sentence(rest):
    args = [str(trialkit.example_trial(a)) if "_" in a else a for a in rest]
    with Path("/dev/full").open("w") as full:
        done = subprocess.run(
            [sys.executable, "-m", "trialkit", *args],
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
            check=False,
        )
    assert done.returncode == 1
    assert done.stderr.count("\n") == 1
    assert "could not be written: No space left on device" in done.stderr
