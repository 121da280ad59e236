"""Values of a trial as text: of a table, and of its settings."""

from __future__ import annotations

import json
import math
from datetime import date
from enum import StrEnum
from typing import Any

from trialkit.reading.saving_counts import Value


def cell_text(value: Value) -> str:
    """A value as it stands in a text table; empty for none."""
    if value is None:
        return ""
    if isinstance(value, float):
        return "" if math.isnan(value) else number_text(value)
    if isinstance(value, date):
        return value.isoformat()
    return str(value)


def number_text(value: float) -> str:
    """Shortest text that reads back as the same number; whole numbers without a point."""
    if value.is_integer() and abs(value) < 1e15:
        return str(int(value))
    return repr(float(value))


def toml_key(key: str) -> str:
    """A key of the settings, quoted where it has to be."""
    bare = key.isascii() and key.replace("_", "a").replace("-", "a").isalnum()
    return key if bare else toml_value(key)


def toml_value(value: Any) -> str:
    """Write a value as settings files have it."""
    if isinstance(value, StrEnum):
        value = value.value
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, tuple):
        return "[" + ", ".join(toml_value(item) for item in value) + "]"
    if isinstance(value, int | float):
        return repr(value)
    return json.dumps(str(value), ensure_ascii=False).replace("\x7f", "\\u007f")
