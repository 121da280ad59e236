"""Make the invented example trials again: ``python example_trials/make_examples.py [OUT]``.

Without OUT the files beside this script are written anew; they come out the same each time.
"""

from __future__ import annotations

import sys
from pathlib import Path

import _bean_aphids
import _fruit_moth_plum
import _leaf_beetle_potato
import _leaf_disease_wheat
import _spider_mite_glasshouse
import _thrips_onion

FOLDERS = {
    "leaf_beetle_potato": _leaf_beetle_potato.files,
    "spider_mite_glasshouse": _spider_mite_glasshouse.files,
    "leaf_disease_wheat": _leaf_disease_wheat.files,
    "fruit_moth_plum": _fruit_moth_plum.files,
}


SERIES = {"bean_aphids": _bean_aphids.folders}


def _write(folder: Path, files: dict[str, bytes]) -> list[Path]:
    folder.mkdir(parents=True, exist_ok=True)
    for name, content in files.items():
        (folder / name).write_bytes(content)
    return [folder / name for name in files]


def make(out: Path) -> list[Path]:
    """Write every example trial below ``out`` and say which files were written."""
    written = []
    for name, files in FOLDERS.items():
        written += _write(out / name, files())
    for series, folders in SERIES.items():
        for name, content in folders().items():
            written += _write(out / series / name, content)
    book = out / "thrips_onion_field_office.xlsx"
    book.write_bytes(_thrips_onion.workbook())
    return [*written, book]


if __name__ == "__main__":
    for path in make(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent):
        print(path)
