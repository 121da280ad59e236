"""The script beside the example trials writes the same files again."""

import subprocess
import sys
from pathlib import Path

import pytest
from openpyxl import load_workbook

EXAMPLES = Path(__file__).parents[2] / "example_trials"
FOLDERS = (
    "leaf_beetle_potato",
    "spider_mite_glasshouse",
    "leaf_disease_wheat",
    "fruit_moth_plum",
)
SERIES = "bean_aphids"
WORKBOOK = "thrips_onion_field_office.xlsx"


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


def test_series_comes_out_byte_for_byte(made_again: Path) -> None:
    def contents(folder: Path) -> dict[str, bytes]:
        return {
            str(path.relative_to(folder)): path.read_bytes()
            for trial in folder.iterdir()
            if trial.is_dir()
            for path in trial.iterdir()
        }

    assert contents(made_again / SERIES) == contents(EXAMPLES / SERIES)


def _cells(path: Path) -> dict[str, object]:
    book = load_workbook(path)
    return {
        sheet.title: (
            [[cell.value for cell in row] for row in sheet.iter_rows()],
            sorted(str(merged) for merged in sheet.merged_cells.ranges),
        )
        for sheet in book.worksheets
    }


def test_workbook_comes_out_cell_by_cell(made_again: Path) -> None:
    # Its bytes are the same with one version of openpyxl, the cells with every version.
    assert _cells(made_again / WORKBOOK) == _cells(EXAMPLES / WORKBOOK)


def test_workbook_bytes_do_not_hang_on_the_clock(made_again: Path, tmp_path: Path) -> None:
    subprocess.run(
        [sys.executable, "-B", str(EXAMPLES / "make_examples.py"), str(tmp_path)],
        check=True,
        capture_output=True,
    )
    assert (tmp_path / WORKBOOK).read_bytes() == (made_again / WORKBOOK).read_bytes()


def test_nothing_else_is_written(made_again: Path) -> None:
    assert {path.name for path in made_again.iterdir()} == {*FOLDERS, SERIES, WORKBOOK}
