"""The sections [plan] and [sprayer] of the settings: checked here, kept as text."""

from __future__ import annotations

from trialkit.plan_keys import SECTIONS, fault_of, keys_of, plan_key
from trialkit.problems import choice, quoted
from trialkit.reading.cells import Ledger
from trialkit.reading.headers import normal
from trialkit.reading.settings import Entry, as_text


def is_plan_entry(entry: Entry) -> bool:
    """Whether a key stands in one of the sections."""
    return len(entry.path) > 1 and normal(entry.path[0]) in SECTIONS


def read_plan_key(entry: Entry, plan: dict[str, str], ledger: Ledger) -> None:
    """Check a key of these sections and keep it in ``plan``, by its name with the section."""
    section, written = normal(entry.path[0]), ".".join(entry.path[1:])
    known = keys_of(section)
    name = next((item for item in known if normal(item) == normal(written)), None)
    key = plan_key(f"{section}.{name}")
    text = as_text(entry.value)
    if key is None:
        ledger.warn(
            "unknown-key",
            f"The key '{written}' of the section {section} is not known and was left out.",
            choice(written, known),
            entry.place,
        )
    elif not text:
        ledger.understand(entry.source, ".".join(entry.path), "nothing: it has no value")
    elif fault_of(key, text):
        ledger.error(
            "settings-value",
            f"{quoted(text)} does not fit {key.name}.",
            f"It must be {key.takes()}.",
            entry.place,
        )
    else:
        plan[key.name] = text
        ledger.understand(entry.source, ".".join(entry.path), text)
