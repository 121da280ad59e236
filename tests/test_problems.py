"""Pieces of messages that are written in one way everywhere."""

from __future__ import annotations

from trialkit.problems import choice, meant, sentences


def test_a_message_asks_for_the_nearest_word_before_it_lists_all() -> None:
    assert choice("pest", ["pests", "crop"], "Roles are") == (
        "Did you mean 'pests'? Roles are pests and crop."
    )
    assert choice("zzz", ["pests", "crop"]) == "Known are pests and crop."
    assert sentences("", "One.", meant("zzz", ["crop"]), "Two.") == "One. Two."
