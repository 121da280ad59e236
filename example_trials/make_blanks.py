"""Make the shipped blanks again: ``python example_trials/make_blanks.py [OUT]``.

Without OUT those of the folder ``templates`` are written anew; the tests ask that they are as made.
"""

from __future__ import annotations

import sys
from pathlib import Path

from trialkit.planning.blank import blank_files, blank_workbook
from trialkit.printed_layout import blank
from trialkit.series.blank import blank_text


def make(out: Path) -> list[Path]:
    """Write every blank below ``out`` and say which files were written."""
    texts = {f"blank_trial/{name}": text for name, text in blank_files().items()}
    texts |= {"series.toml": blank_text(), "printed_table.csv": blank()}
    files = {name: text.encode("utf-8") for name, text in texts.items()}
    files["blank_trial.xlsx"] = blank_workbook()
    for name, content in files.items():
        path = out / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)
    return [out / name for name in files]


if __name__ == "__main__":
    beside = Path(__file__).parent.parent / "templates"
    for path in make(Path(sys.argv[1]) if len(sys.argv) > 1 else beside):
        print(path)
