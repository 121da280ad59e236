"""Problems as a person reads them: each cause once, without what only follows of others."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from trialkit.problems import Problem, Severity, one_each

#: What a table that was not understood leaves behind, and nobody can mend by itself.
_LEFT_OVER = frozenset({
    "single-replicate", "single-block", "no-values", "treatment-without-plots", "no-plan",
    "no-plots", "untreated-unknown", "variable-without-data", "undated", "one-treatment",
    "design-assumed",
    "missing-plots", "treatments-made", "variable-assumed", "no-untreated",
})  # fmt: skip
_FOLLOW: Mapping[str, frozenset[str]] = {
    **dict.fromkeys(
        (
            "no-column", "no-header", "on-its-side", "two-tables", "second-table",
            "numbered-columns", "replicates-across", "samples-or-plots", "several-trials",
            "classes", "no-tables",
        ),
        _LEFT_OVER,
    ),
    "map-unclear": _LEFT_OVER | {"unknown-sheet"},
    "formula-without-value": frozenset({"plan-conflict", "different-values-twice"}),
    "plan-conflict": frozenset({"different-values-twice", "missing-plots", "incomplete-block"}),
    "plot-twice": frozenset({"different-values-twice"}),
    "no-id": frozenset({"missing-plots", "incomplete-block"}),
    "no-day-zero": frozenset({"no-values", "missing-plots"}),
}  # fmt: skip
#: Those that are never taken for what follows.
_ROOTS = frozenset(_FOLLOW) - {"plan-conflict"}

#: So many problems of one cause become one; fewer are told one by one, each with its remedy.
_MANY = 4


def in_order(problems: Sequence[Problem]) -> tuple[Problem, ...]:
    """Errors before warnings, each cause once, without what follows of others."""
    told = {problem.kind for problem in problems if problem.severity is Severity.ERROR}
    idle = {kind for root in told for kind in _FOLLOW.get(root, ())} - told.intersection(_ROOTS)
    kept = [problem for problem in problems if problem.kind not in idle]
    unique = one_each(dict.fromkeys(kept), _MANY)
    return tuple(sorted(unique, key=lambda problem: problem.severity is Severity.WARNING))
