"""Ids written in several ways: the same block or treatment, or nearly the same."""

from __future__ import annotations

import re
import unicodedata
from collections import Counter
from collections.abc import Mapping, Sequence

from trialkit.problems import Place, listing, quoted
from trialkit.reading.cells import Ledger, undash

_BLOCK_NUMBER = re.compile(
    r"(?:block|blk|bloc|replicate|replication|rep|b|r)?[\s_.#:-]*0*(\d+)(?:\.0+)?", re.IGNORECASE
)
_NUMBER = re.compile(r"0*(\d+)(?:\.0+)?")
_FEW = 4


def folded(text: str) -> str:
    """Reduce an id to what a reader takes for the same: case, spaces, accents' codes, 1 and 1.0."""
    plain = " ".join(undash(unicodedata.normalize("NFKC", text)).casefold().split())
    number = _NUMBER.fullmatch(plain)
    return number[1] if number else plain


def folded_block(text: str) -> str:
    """Reduce the id of a block: ``Block 1``, ``1`` and ``1.0`` are one."""
    number = _BLOCK_NUMBER.fullmatch(folded(text))
    return number[1] if number else folded(text)


def one_spelling(
    word: str, ids: Sequence[str], others: Sequence[str], place: Place, ledger: Ledger
) -> Mapping[str, str]:
    """Lead from each spelling of an id to the one that is kept, the most frequent.

    Spellings are taken for one id unless both stand together with the same other id (two
    treatments ``a`` and ``A`` in one block are two).

    Parameters
    ----------
    word : str
        What the ids name, for the message: block or treatment.
    ids, others : sequence of str
        The id of each plot, and the id that it is crossed with; empty where there is none.
    place : Place
    ledger : Ledger
    """
    fold = folded_block if word in {"block", "replicate"} else folded
    groups: dict[str, dict[str, set[str]]] = {}
    number = Counter(ids)
    for text, other in zip(ids, others, strict=True):
        if text:
            groups.setdefault(fold(text), {}).setdefault(text, set()).add(other)
    kept: dict[str, str] = {}
    told: list[str] = []
    for spellings in groups.values():
        if len(spellings) < 2:
            continue
        crossed = [other for found in spellings.values() for other in found if other]
        if len(crossed) != len(set(crossed)):
            continue
        best = max(spellings, key=lambda text: (undash(text) == text, number[text]))
        for text in spellings:
            if text != best:
                kept[text] = best
                told.append(f"{quoted(text)} for {quoted(best)}")
    if told:
        ledger.warn(
            "spelling",
            f"A {word} is written in several ways; {listing(told, _FEW)} "
            f"{'was' if len(told) == 1 else 'were'} taken.",
            "Nothing needs to be done if that is right; else give each a name of its own.",
            place,
        )
    return kept


def warn_near_doubles(word: str, ids: Sequence[str], place: Place, ledger: Ledger) -> None:
    """Say so where an id with too few plots may be a slip for another one.

    An error where it has a single plot and the other several.
    """
    number = Counter(text for text in ids if text)
    if len(number) < 3:
        return
    usual = Counter(number.values()).most_common(1)[0][0]
    for odd, count in number.items():
        if count >= usual:
            continue
        near = [
            text for text in number if text != odd and number[text] > 1 and near_names(odd, text)
        ]
        if not near:
            continue
        what = (
            f"The {word} {quoted(odd)} has {count} plot{'s' if count > 1 else ''}, and "
            f"{quoted(near[0])}, nearly the same name, has {number[near[0]]}."
        )
        if count == 1:
            ledger.error("near-double", what, f"Write the {word} alike in all its plots.", place)
        else:
            ledger.warn("near-double", what, "Nothing needs to be done if they are two.", place)


def near_names(a: str, b: str) -> bool:
    """Whether one name may be a slip for the other: one or two letters differ, no number does."""
    one, two = folded(a), folded(b)
    if re.findall(r"\d+", one) != re.findall(r"\d+", two):
        return False
    shorter = min(len(one), len(two))
    if shorter < 4:
        return False
    return _steps(one, two) <= (1 if shorter < 9 else 2)


def _steps(a: str, b: str) -> int:
    """Count letters to change, add or take out to come from one word to the other."""
    row = list(range(len(b) + 1))
    for i, left in enumerate(a, 1):
        before, row[0] = row[0], i
        for j, right in enumerate(b, 1):
            before, row[j] = row[j], min(row[j] + 1, row[j - 1] + 1, before + (left != right))
    return row[-1]
