"""What the data cannot tell: an exception of its own, so that a fault of ours stays a fault."""

from __future__ import annotations


class NotEstimable(Exception):  # noqa: N818 - no error, an answer
    """The data cannot tell what was asked of them; the message says why, in words for a person.

    Raised where plots, days or variances are too few or too alike for a number, never for wrong
    arguments (those are `ValueError`). Only this is caught where a result is left out with a note.

    Examples
    --------
    >>> raise NotEstimable("no observation is left beyond the fixed effects")
    Traceback (most recent call last):
        ...
    trialkit.inference.estimable.NotEstimable: no observation is left beyond the fixed effects
    """
