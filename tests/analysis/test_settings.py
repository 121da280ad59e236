"""Settings made in Python: text becomes what it names, and what cannot be is refused."""

from dataclasses import fields, replace

import pytest

from trialkit import Settings, TrialError
from trialkit.setting_rules import rule_of
from trialkit.trial import Comparison, ControlMethod, Transform
from trialkit.words import OF


def test_text_becomes_what_it_names() -> None:
    made = Settings(comparison="LSD", control="henderson tilton", transform="log", seed="4")
    assert made.comparison is Comparison.LSD
    assert made.control is ControlMethod.HENDERSON_TILTON
    assert made.transform is Transform.LOG
    assert made.seed == 4
    assert replace(made, comparison="tukey").comparison is Comparison.TUKEY


@pytest.mark.parametrize(
    ("name", "value", "words"),
    [
        ("alpha", 7, "a number above 0 and below 0.5"),
        ("alpha", float("nan"), "a number above 0"),
        ("alpha", True, "a number above 0"),
        ("comparison", "tuky", "Did you mean 'tukey'?"),
        ("transform", None, "Allowed are auto, none"),
        ("control", 3, "Allowed are auto, abbott"),
        ("control_target", 101, "not above 100"),
        ("seed", 1.5, "whole and not negative"),
        ("seed", -1, "whole and not negative"),
        ("standard_moisture_percent", 100, "below 100"),
        ("yield_unit", "t", "Allowed are kg/ha"),
        ("bushel_lb", 0, "above 0"),
        ("crop_price", float("inf"), "0 or more"),
        ("currency", 3, "must be text"),
        ("factors", ["rate"], "columns of treatments.csv"),
        ("factors", 3, "list of texts"),
        ("contrasts", ["1 and 2"], "treatments against treatments"),
        ("contrasts", ["a = 1 against 2", "a = 1 against 3"], "a name of its own"),
        ("supporting", "perhaps", "Allowed are true and false"),
    ],
)
def test_what_cannot_be_is_refused_in_words(name: str, value: object, words: str) -> None:
    with pytest.raises(TrialError, match=words) as caught:
        Settings(**{name: value})
    assert len(caught.value.problems) == 1


def test_every_fault_is_told_at_once() -> None:
    with pytest.raises(TrialError) as caught:
        Settings(alpha=2, seed=-1, comparison="none at all")
    assert len(caught.value.problems) == 3


def test_every_setting_has_a_meaning_and_a_default_that_fits() -> None:
    made = Settings()
    for item in fields(Settings):
        assert item.metadata["meaning"].endswith(".")
        rule = rule_of(item.metadata)
        assert rule.words
        assert rule.take(item.name, getattr(made, item.name)) == getattr(made, item.name)
        assert f"    {item.name} : " in (Settings.__doc__ or "")


def test_every_choice_has_words() -> None:
    for choices, words in OF.items():
        assert set(words) == {item.value for item in choices}
