from __future__ import annotations

import itertools

import numpy as np
import pytest

from trialkit.figures.identity import (
    GREY,
    HUES,
    contrast,
    identities,
    mix,
    plain_line,
    shorten,
    text_colour,
    treatment_label,
)
from trialkit.trial import Design, Treatment, TreatmentRole, Trial

# Full dichromacy in linear RGB: Machado, Oliveira & Fernandes 2009, IEEE Trans. Vis. Comput.
# Graph. 15:1291-1298 (matrices for severity 1, from memory)
BLINDNESS = {
    "none": np.eye(3),
    "protanopia": np.array(
        [
            [0.152286, 1.052583, -0.204868],
            [0.114503, 0.786281, 0.099216],
            [-0.003882, -0.048116, 1.051998],
        ]
    ),
    "deuteranopia": np.array(
        [
            [0.367322, 0.860646, -0.227968],
            [0.280085, 0.672501, 0.047413],
            [-0.011820, 0.042940, 0.968881],
        ]
    ),
}
# OKLab: B. Ottosson 2020, "A perceptual color space for image processing" (from memory)
TO_CONES = np.array(
    [
        [0.4122214708, 0.5363325363, 0.0514459929],
        [0.2119034982, 0.6806995451, 0.1073969566],
        [0.0883024619, 0.2817188376, 0.6299787005],
    ]
)
TO_LAB = np.array(
    [
        [0.2104542553, 0.7936177850, -0.0040720468],
        [1.9779984951, -2.4285922050, 0.4505937099],
        [0.0259040371, 0.7827717662, -0.8086757660],
    ]
)


def seen(colour: str, matrix: np.ndarray) -> np.ndarray:
    values = np.array([int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)])
    linear = np.where(values <= 0.04045, values / 12.92, ((values + 0.055) / 1.055) ** 2.4)
    return TO_LAB @ np.cbrt(np.clip(TO_CONES @ np.clip(matrix @ linear, 0, 1), 0, None))


@pytest.mark.parametrize("colour", [*HUES, GREY])
def test_lines_stand_out_on_white(colour: str) -> None:
    assert contrast(colour, "#ffffff") >= 3.0


@pytest.mark.parametrize("colour", [*HUES, GREY])
def test_labels_read_on_white(colour: str) -> None:
    assert contrast(text_colour(colour), "#ffffff") >= 4.5


@pytest.mark.parametrize("sight", BLINDNESS)
def test_hues_stay_apart(sight: str) -> None:
    matrix = BLINDNESS[sight]
    for first, second in itertools.combinations([*HUES[:7], GREY], 2):
        distance = np.linalg.norm(seen(first, matrix) - seen(second, matrix))
        assert distance > 0.085, (first, second)


def test_contrast_of_black_and_white_is_21() -> None:
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)


def test_mix_of_equal_shares() -> None:
    assert mix("#000000", "#ffffff", 0.5) == "#808080"


def test_untreated_is_grey_and_others_keep_their_order() -> None:
    trial = Trial(
        title="",
        design=Design.CRD,
        treatments=(
            Treatment(id="a", name="A"),
            Treatment(id="u", name="Untreated", role=TreatmentRole.UNTREATED),
            *(Treatment(id=str(number), name=f"Nr {number}") for number in range(24)),
        ),
        plots=(),
        variables=(),
    )
    looks = identities(trial)
    assert list(looks) == [item.id for item in trial.treatments]
    assert looks["u"].colour == GREY
    assert looks["a"].colour == HUES[0]
    different = {(look.colour, look.mark, look.line) for look in looks.values()}
    assert len(different) == len(looks)


@pytest.mark.parametrize(
    ("treatment_id", "name", "label"),
    [
        ("1", "Untreated", "1 Untreated"),
        ("None", "None", "None"),
        ("T1", "T1 early", "T1 early"),
        ("1", "10 L of water", "1 10 L of water"),
        ("NA", "", "NA"),
    ],
)
def test_label_joins_id_and_name(treatment_id: str, name: str, label: str) -> None:
    assert treatment_label(treatment_id, name) == label


def test_text_becomes_one_clean_line() -> None:
    assert plain_line("a\x00b\n c\t\u2028d \ud83d e\U0001f41e") == "ab c d e\U0001f41e"


def test_long_text_is_cut_in_its_middle() -> None:
    assert shorten("abcdefgh", 5) == "ab\u2026gh"
    assert shorten("Long product name, single dose", 20) == "Long produc\u2026gle dose"
    assert shorten("abcde", 5) == "abcde"


def test_marks_that_turn_the_text_are_left_out():
    assert plain_line("Ostrel \u202elatem\u202c, \u2067full") == "Ostrel latem, full"
