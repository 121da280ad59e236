"""Every sentence is a phrase of one file: none is missing, none is left over."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

import trialkit.findings
from trialkit.findings.phrases import keys, phrase

SOURCES = [
    path.read_text(encoding="utf-8")
    for path in sorted(Path(trialkit.findings.__file__).parent.glob("*.py"))
]
REPORT = Path(trialkit.findings.__file__).parents[1] / "report"


def test_no_sentence_stands_in_the_code():
    """Words with a full stop within quotes, outside docstrings."""
    for source in SOURCES:
        code = re.sub(r'""".*?"""', "", source, flags=re.S)
        code = re.sub(r"#.*", "", code)
        code = re.sub(r"\{[^{}]*\}", "{}", code)
        for text in re.findall(r'"([^"\n]*)"', code):
            assert len(text.split()) <= 3, text


def test_every_phrase_is_used():
    code = "\n".join(SOURCES)
    report = "\n".join(path.read_text() for path in REPORT.rglob("*.py"))
    for key in keys():
        if key.startswith("caption."):
            name = key.removeprefix("caption.").removesuffix("_same")
            ends = re.findall(r'f"(\w+)_\{', report)
            assert (
                f'"{name}"' in report
                or f'"{name}_same"' in report
                or f'"caption.{name}"' in report
                or any(name.startswith(f"{end}_") for end in ends)
            ), key
            continue
        if key.startswith("numerals."):
            continue
        section, name = key.split(".")
        made = rf'f"{section}\.\{{\w+\}}(\w*)"'
        ends = re.findall(made, code)
        plain = key.removesuffix("_count")  # fewer of what is counted, chosen by `fewer`
        assert f'"{plain}"' in code or any(name.endswith(end) for end in ends), key


def test_singular_and_plural():
    assert phrase("words.count_days", count=1, number="1") == "1 day"
    assert phrase("words.count_days", count=2, number="2") == "2 days"
    with pytest.raises(KeyError):
        phrase("words.count_days", count=1)
    with pytest.raises(KeyError):
        phrase("words.no_such_phrase")


def test_both_forms_of_a_phrase_have_the_same_slots():
    for key, forms in keys().items():
        slots = {frozenset(re.findall(r"\{(\w+)\}", form)) for form in forms}
        assert len(slots) == 1, key
