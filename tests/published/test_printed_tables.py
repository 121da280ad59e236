"""The audit on printed tables of open-access papers: what it asks, and that it asks no more."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest

import trialkit
from trialkit.desk.audit import Verdict

TABLES = tomllib.loads((Path(__file__).parent / "printed_tables.toml").read_text(encoding="utf-8"))[
    "table"
]


@pytest.mark.parametrize("table", TABLES, ids=[table["name"] for table in TABLES])
def test_what_is_asked_of_a_published_table(table: dict[str, Any], tmp_path: Path) -> None:
    path = tmp_path / "printed.csv"
    path.write_text(table["csv"].lstrip(), encoding="utf-8")
    found = trialkit.audit_table(path)
    # No table says on which scale it was tested: what does not fit is asked, and not called wrong.
    assert not found.of(Verdict.INCONSISTENT), found.of(Verdict.INCONSISTENT)
    asked = {check.kind for check in found.checks if check.question}
    assert asked == set(table["asked"]), [check for check in found.checks if check.question]
    if "told" in table:
        assert any(table["told"] in check.arithmetic for check in found.checks)
