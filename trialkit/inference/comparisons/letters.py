"""Letters that say which means do not differ: two means share one just when they do not."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from trialkit.inference.design.layout import BoolArray, FloatArray

# Sets of means are bit masks. Beyond this many maximal sets (never reached by comparisons of
# real means) enough sets are grown one by one instead of all being listed.
MOST_SETS = 1000


def letters(different: BoolArray, means: FloatArray) -> tuple[str, ...]:
    """Mark means with letters.

    Parameters
    ----------
    different : (t, t) bool array
        Symmetric; True where two means were declared different.
    means : (t,) array
        NaN for a mean that is not known: it gets no letter.

    Returns
    -------
    tuple of str
        Letters of each mean in the order given, themselves in order; ``a`` marks the largest
        mean. After ``z`` come ``aa``, ``ab`` and so on, and every mark is then followed by a
        full stop except the last of a mean.

    Raises
    ------
    ValueError
        When ``different`` is no symmetric square of the size of ``means``.

    Notes
    -----
    Insert and absorb gives all largest sets of means without a difference among them, whatever
    the pattern of differences, also where it follows no order. Sets that join nothing that is
    not joined elsewhere are swept out, so that no letter can be spared.

    References
    ----------
    Piepho HP 2004, An algorithm for a letter-based representation of all-pairwise comparisons,
    Journal of Computational and Graphical Statistics 13:456-466.
    """
    means = np.asarray(means, dtype=np.float64)
    different = np.asarray(different, dtype=bool)
    if different.shape != (means.size, means.size) or not np.array_equal(different, different.T):
        raise ValueError("different must be a symmetric square matrix, one row for each mean")
    return letters_of_all(different[None], means[:, None])[0]


def letters_of_all(different: BoolArray, means: FloatArray) -> tuple[tuple[str, ...], ...]:
    """Mark the means of many responses, each for itself, as `letters` does.

    Parameters
    ----------
    different : (k, t, t) bool array
        Each symmetric.
    means : (t, k) array

    Returns
    -------
    tuple of tuple of str
        One for each response.
    """
    # Means that are not known come last.
    order = np.argsort(-means, axis=0, kind="stable").T
    rows = np.take_along_axis(different, order[:, :, None], axis=1)
    packed = np.packbits(
        np.take_along_axis(rows, order[:, None, :], axis=2), axis=2, bitorder="little"
    )
    known = (~np.isnan(means)).sum(axis=0)
    return tuple(
        _letters(_neighbours(masks, count), places)
        for masks, count, places in zip(packed, known.tolist(), order.tolist(), strict=True)
    )


def _letters(apart: list[int], order: list[int]) -> tuple[str, ...]:
    """Letters of means that differ from those masked, put back where they came from."""
    sets = _sweep(_maximal_sets(apart))
    marks = _marks(len(sets))
    separator = "." if len(sets) > 26 else ""
    result = [""] * len(order)
    for position, treatment in enumerate(order[: len(apart)]):
        own = [mark for mark, group in zip(marks, sets, strict=True) if group >> position & 1]
        result[treatment] = separator.join(own)
    return tuple(result)


def _neighbours(packed: NDArray[np.uint8], known: int) -> list[int]:
    """Bit mask, for each mean that is known, of the known means that differ from it."""
    data, width = packed.tobytes(), packed.shape[1]
    everything = (1 << known) - 1
    return [
        int.from_bytes(data[i * width : (i + 1) * width], "little") & everything & ~(1 << i)
        for i in range(known)
    ]


def _maximal_sets(apart: list[int]) -> list[int]:
    """All largest sets of means among which nothing differs, by insert and absorb."""
    t = len(apart)
    if t == 0:
        return []
    sets = [(1 << t) - 1]
    for i in range(t):
        # All means that differ from i are split off from it in one step: a set with i and some
        # of them becomes the set without i and the set without them.
        bit, rivals = 1 << i, apart[i]
        kept = [s for s in sets if not (s & bit and s & rivals)]
        split = [s for s in sets if s & bit and s & rivals]
        if not split:
            continue
        candidates = {part for s in split for part in (s & ~bit, s & ~rivals)}
        sets = _absorb(kept, candidates)
        if len(sets) > MOST_SETS:
            return _grown_sets(apart)
    return sets


def _absorb(kept: list[int], candidates: set[int]) -> list[int]:
    """Add candidate sets, dropping those inside another one."""
    sets = list(kept)
    for candidate in sorted(candidates, key=lambda s: (-s.bit_count(), s)):
        if not any(candidate & s == candidate for s in sets):
            sets.append(candidate)
    return sets


def _grown_sets(apart: list[int]) -> list[int]:
    """Enough maximal sets to join every pair that does not differ, grown greedily."""
    t = len(apart)
    everything = (1 << t) - 1
    alike = [everything & ~apart[i] & ~(1 << i) for i in range(t)]
    open_pairs = [alike[i] for i in range(t)]
    sets: list[int] = []
    for i in range(t):
        while open_pairs[i] or not any(s >> i & 1 for s in sets):
            group, possible = 1 << i, alike[i]
            while possible:
                # The member that joins the most pairs still open; the first one of equals.
                best = max(
                    _bits(possible),
                    key=lambda j: ((open_pairs[j] & group).bit_count(), -j),
                )
                group |= 1 << best
                possible &= alike[best]
            for j in _bits(group):
                open_pairs[j] &= ~group
            sets.append(group)
    return sets


def _bits(mask: int) -> list[int]:
    members = []
    while mask:
        low = mask & -mask
        members.append(low.bit_length() - 1)
        mask ^= low
    return members


def _spare(group: int, others: list[int]) -> bool:
    """Say whether other sets join all that a set joins and hold all its members."""
    rest = group
    while rest:
        member = rest & -rest
        rest ^= member
        joined = 0
        for other in others:
            if other & member:
                joined |= other
        if group & ~joined:
            return False
    return True


def _sweep(sets: list[int]) -> list[int]:
    """Leave out sets that can be spared, and put the rest in order.

    Single letters stay in the sets that stay: without them a mean in the middle of a line of
    means that do not differ would lack its letter.
    """
    # Small sets go first: large ones carry more of the picture.
    for group in sorted(sets, key=lambda s: (s.bit_count(), -s)):
        others = [s for s in sets if s != group]
        if _spare(group, others):
            sets = others
    return sorted(sets, key=_place)


def _place(group: int) -> tuple[int, ...]:
    """Order of sets: by their largest mean, then by the next."""
    return tuple(_bits(group))


def _marks(count: int) -> list[str]:
    """The first marks of a, b, ..., z, aa, ab, ..."""
    alphabet = "abcdefghijklmnopqrstuvwxyz"
    marks = []
    for index in range(count):
        mark, rest = "", index
        while True:
            mark = alphabet[rest % 26] + mark
            rest = rest // 26 - 1
            if rest < 0:
                break
        marks.append(mark)
    return marks
