"""Letters that say which means do not differ: two means share one just when they do not."""

from __future__ import annotations

import numpy as np

from trialkit.inference.layouts import BoolArray, FloatArray

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
    known = np.flatnonzero(~np.isnan(means))
    order = known[np.argsort(-means[known], kind="stable")]
    apart = _neighbours(different[np.ix_(order, order)])
    sets = _sweep(_maximal_sets(apart))
    marks = _marks(len(sets))
    separator = "." if len(sets) > 26 else ""
    result = [""] * means.size
    for position, treatment in enumerate(order):
        own = [mark for mark, group in zip(marks, sets, strict=True) if group >> position & 1]
        result[int(treatment)] = separator.join(own)
    return tuple(result)


def _neighbours(different: BoolArray) -> list[int]:
    """Bit mask, for each mean, of the means that differ from it."""
    packed = np.packbits(different, axis=1, bitorder="little")
    return [
        int.from_bytes(row.tobytes(), "little") & ~(1 << index) for index, row in enumerate(packed)
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


def _joined(sets: list[int], member: int) -> int:
    """Bit mask of what shares a set with a member, itself too."""
    mask = 0
    for s in sets:
        if s >> member & 1:
            mask |= s
    return mask


def _spare(group: int, others: list[int]) -> bool:
    """Say whether other sets join all that a set joins and hold all its members."""
    return all(group & ~_joined(others, member) == 0 for member in _bits(group))


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
