"""Programmes that repeat a mode-of-action group."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from trialkit.measures.resistance import Repeat, groups_of, repeated_groups


def repeats(*applications: str | None, **options: str) -> list[tuple[str, tuple[int, ...]]]:
    found = repeated_groups(applications, **options).repeats  # type: ignore[arg-type]
    return [(repeat.group, repeat.applications) for repeat in found]


def test_alternation_is_no_repeat() -> None:
    assert repeats("4A", "28", "4A", "28") == []
    assert repeats("4A") == []
    assert repeats() == []


def test_runs_are_given_whole_and_apart() -> None:
    assert repeats("4A", "4A", "4A") == [("4A", (1, 2, 3))]
    assert repeats("4A", "4A", "6", "4A", "4A") == [("4A", (1, 2)), ("4A", (4, 5))]
    assert repeats("6", "4A", "4A", "6", "6") == [("4A", (2, 3)), ("6", (4, 5))]


def test_mixtures_repeat_by_each_of_their_groups() -> None:
    assert repeats("3 + 11", "11", "7 / 3", "3") == [("11", (1, 2)), ("3", (3, 4))]
    assert repeats("3+11", "11+3") == [("11", (1, 2)), ("3", (1, 2))]


def test_spelling_does_not_matter() -> None:
    assert repeats("Group 4a", " 4A ") == [("4A", (1, 2))]
    assert repeats("IRAC  28", "irac 28") == [("IRAC 28", (1, 2))]
    assert groups_of("3A; 28 and 6 & 1B, M03") == {"3A", "28", "6", "1B", "M03"}


@pytest.mark.parametrize("text", [None, "", "  ", "-", "n/a", "NA", "unknown", "?", "+"])
def test_not_stated_ends_a_run_and_is_said(text: str | None) -> None:
    programme = repeated_groups(["4A", text, "4A"])
    assert programme.repeats == ()
    assert programme.not_stated == (2,)


@pytest.mark.parametrize("text", ["UN", "une", "NC", "FRAC NC", "group UN"])
def test_groups_of_unknown_action_are_no_repeat(text: str) -> None:
    assert repeated_groups([text, text]).repeats == ()
    assert repeated_groups([text, text]).not_stated == (1, 2)


def test_subgroups_share_a_main_group_only_when_asked() -> None:
    assert repeats("4A", "4D") == []
    assert repeats("4A", "4D", level="main") == [("4", (1, 2))]
    assert repeats("4A", "4", level="main") == [("4", (1, 2))]
    assert repeats("M03", "M05", level="main") == []
    assert repeats("14A", "4A", level="main") == []
    with pytest.raises(ValueError, match="level"):
        repeated_groups(["1"], level="sub")  # type: ignore[arg-type]
    with pytest.raises(ValueError, match="level"):
        groups_of(None, level="sub")  # type: ignore[arg-type]


@given(programme=st.lists(st.sampled_from(["1A", "2", "3", "2+3", None]), max_size=8))
def test_against_looking_at_each_pair(programme: list[str | None]) -> None:
    pairs = {
        (group, i)
        for i in range(1, len(programme))
        for group in groups_of(programme[i - 1]) & groups_of(programme[i])
    }
    found = {
        (repeat.group, i)
        for repeat in repeated_groups(programme).repeats
        for i in repeat.applications[:-1]
    }
    assert found == pairs
    assert all(isinstance(repeat, Repeat) for repeat in repeated_groups(programme).repeats)
