"""The script beside the example trials writes the same files again."""

import subprocess
import sys
from pathlib import Path

import pytest

EXAMPLES = Path(__file__).parents[2] / "example_trials"
FOLDERS = ("leaf_beetle_potato",)


@pytest.fixture(scope="module")
def made_again(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("examples")
    subprocess.run(
        [sys.executable, "-B", str(EXAMPLES / "make_examples.py"), str(out)],
        check=True,
        capture_output=True,
    )
    return out


@pytest.mark.parametrize("folder", FOLDERS)
def test_folder_comes_out_byte_for_byte(made_again: Path, folder: str) -> None:
    kept = {path.name: path.read_bytes() for path in (EXAMPLES / folder).iterdir()}
    again = {path.name: path.read_bytes() for path in (made_again / folder).iterdir()}
    assert again == kept
