"""Ratios of group means to a control group, with calibrated intervals.

The ratio is that of arithmetic means where the layout is balanced and of least-squares means
where plots are missing. Its interval comes from the confidence distribution of the log ratio:
counts vary as Poisson about plot means that vary as gamma, the dispersion is shared between
groups as far as the data let it be, and what is not known of it makes Student's t of the normal.
Groups of zeros have a one-sided limit; nothing is infinite and nothing is clipped. How often the
intervals cover is in tests/benchmarks/calibration.md.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from trialkit.inference.layouts import FloatArray, Layout
from trialkit.inference.ratio_intervals_evidence import Evidence, count_evidence
from trialkit.inference.ratio_intervals_law import Alternative, RatioLaw, law_to_control
from trialkit.inference.ratio_intervals_shares import change_evidence, share_evidence

Kind = Literal["count", "percent", "positive"]

#: Individuals in the control below which intervals are wide and conservative.
FEW = 10.0
#: Weight of differing dispersions, and of few degrees of freedom, that earn a caution.
DIFFERING = 0.8
LEAST_DF = 4.0
_MOST_SAMPLES = 60


@dataclass(frozen=True, slots=True, kw_only=True)
class Caution:
    """What limits an interval: its kind, the groups concerned, and a sentence without names."""

    kind: Literal[
        "zeros", "few-individuals", "few-degrees", "differing-dispersion", "unit", "missing-plots"
    ]
    groups: tuple[int, ...]
    text: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RatioResult:
    """Ratios to a control: arrays are (t,) for one response and (t, m) for several.

    Attributes
    ----------
    ratio, lower, upper : float arrays
        NaN where undefined. A group of zeros has the ratio 0, the lower limit 0 and a
        one-sided upper limit of the same level. The control itself has the ratio 1 and no
        limits.
    p_equal : float array
        Two-sided p-value of the ratio 1 (one-sided for groups of zeros).
    df : float array
        Degrees of freedom of Student's t.
    dispersion : float array
        Dispersion used for each group.
    method : str
    reasons : object array of str
        Why a ratio is undefined, '' where it is defined.
    cautions : tuple of tuple of Caution
        For each response.
    law : RatioLaw
        The confidence distribution behind them.
    """

    ratio: FloatArray
    lower: FloatArray
    upper: FloatArray
    p_equal: FloatArray
    df: FloatArray
    dispersion: FloatArray
    method: str
    reasons: npt.NDArray[np.object_]
    cautions: tuple[tuple[Caution, ...], ...]
    law: RatioLaw

    def p_value(
        self, ratio: float | FloatArray, alternative: Alternative = "two-sided"
    ) -> FloatArray:
        """P-value of a given true ratio, in the shape of ``ratio``.

        Parameters
        ----------
        ratio : float or float array
            Positive. At least 80 % control is tested by 0.2 with ``less``.
        alternative : {"two-sided", "less", "greater"}
            ``less``: small p-values speak for a true ratio below the given one.
        """
        given = np.asarray(ratio, dtype=np.float64)
        if given.ndim == 1 and self.ratio.ndim == 1:
            given = given[:, None]
        p = self.law.p_value(given, alternative)
        return p[:, 0] if self.ratio.ndim == 1 else p


def ratio_to_control(
    layout: Layout,
    response: FloatArray,
    control: int,
    *,
    kind: Kind = "count",
    alpha: float = 0.05,
    unit: float | None = None,
    items: FloatArray | None = None,
) -> RatioResult:
    """Ratios of group means to that of one group, with intervals and tests.

    Parameters
    ----------
    layout : Layout
    response : (n,) or (n, m) float array
        Not negative; NaN where a plot is missing. Percentages lie between 0 and 100.
    control : int
        The group that divides; any group, not only an untreated one.
    kind : {"count", "percent", "positive"}
        ``count``: individuals, or means of samples of them. ``percent``: shares of a whole.
        ``positive``: measurements such as areas under a curve.
    alpha : float
        One minus the level of the intervals.
    unit : float, optional
        What one individual adds to a value: 1 for counts, ``1 / s`` for means of s samples.
        Found from the grain of the values where not given.
    items : (n,) or (n, m) float array, optional
        For percentages: of how many items each is the share.

    Returns
    -------
    RatioResult

    Raises
    ------
    ValueError
        When values lie outside their range or do not fit the layout, or there is no such
        control.
    """
    values, single = _columns(layout, response, control)
    cautions: list[list[Caution]] = [[] for _ in range(values.shape[1])]
    if kind == "percent":
        if np.any(values > 100.0):
            raise ValueError("percentages lie between 0 and 100")
        counted = None if items is None else _columns(layout, items, control)[0]
        evidence = share_evidence(layout, values / 100.0, control, counted)
        method = "beta-binomial" if items is not None else "quasi-binomial"
    else:
        units = _units(values, kind, unit, cautions)
        evidence = count_evidence(layout, values / units, control)
        method = "gamma-Poisson" if kind == "count" else "gamma"
    reasons = _reasons(evidence, control, "the control group is all zeros")
    return _result(evidence, control, alpha, method, reasons, cautions, single)


def ratio_of_ratios(
    layout: Layout,
    before: FloatArray,
    after: FloatArray,
    control: int,
    *,
    alpha: float = 0.05,
    unit: float | None = None,
) -> RatioResult:
    """Change from before to after of each group over that of the control group.

    Parameters
    ----------
    layout : Layout
    before : (n,) or (n, m) float array
        Counts before, one column for all responses or one for each.
    after : (n,) or (n, m) float array
        Counts after in the same plots. Plots that lack either are left out.
    control : int
    alpha : float
    unit : float, optional
        As for ``ratio_to_control``; the same before and after.

    Returns
    -------
    RatioResult
        ``ratio`` is ``(after / before)`` of group totals over that of the control.

    Raises
    ------
    ValueError
        As ``ratio_to_control``.
    """
    late, single = _columns(layout, after, control)
    early, _ = _columns(layout, before, control)
    early = np.broadcast_to(early, late.shape)
    cautions: list[list[Caution]] = [[] for _ in range(late.shape[1])]
    units = _units(np.concatenate([early, late]), "count", unit, cautions)
    evidence = change_evidence(layout, early / units, late / units, control)
    reasons = _reasons(evidence, control, "the control group is all zeros after")
    empty = (evidence.second <= 0.0) & (reasons == "")
    reasons[empty] = "the group is all zeros before"
    reasons[:, evidence.second[control] <= 0.0] = "the control group is all zeros before"
    return _result(evidence, control, alpha, "beta-binomial change", reasons, cautions, single)


def _columns(layout: Layout, response: FloatArray, control: int) -> tuple[FloatArray, bool]:
    values = np.asarray(response, dtype=np.float64)
    single = values.ndim == 1
    values = values[:, None] if single else values
    if values.shape[0] != layout.n_plots:
        raise ValueError("there must be one row of values for each plot")
    if not 0 <= control < layout.n_treatments:
        raise ValueError("there is no such control group")
    if np.any(values < 0.0) or np.any(np.isinf(values)):
        raise ValueError("values must be finite and not negative")
    return values, single


def _units(
    values: FloatArray, kind: Kind, unit: float | None, cautions: list[list[Caution]]
) -> FloatArray:
    """What one individual adds to a value of each response, (m,)."""
    if unit is not None:
        if not unit > 0.0:
            raise ValueError("the unit must be positive")
        return np.full(values.shape[1], unit)
    found = np.ones(values.shape[1])
    for j, column in enumerate(values.T):
        known = column[~np.isnan(column)]
        positive = known[known > 0.0]
        if positive.size == 0:
            continue
        grain = _grain(known) if kind == "count" else None
        if grain is not None:
            found[j] = grain
            continue
        smallest = float(positive.min())
        found[j] = smallest if positive.size < known.size else 1e-3 * smallest
        if kind == "count":
            text = (
                "the values are no means of whole counts; they were taken as measurements "
                f"with steps of {found[j]:.3g}"
            )
            cautions[j].append(Caution(kind="unit", groups=(), text=text))
    return found


def _grain(values: FloatArray) -> float | None:
    """One over the smallest number of samples that makes all means whole, None if there is none."""
    for samples in range(1, _MOST_SAMPLES + 1):
        whole = values * samples
        # Means are often written with two decimals.
        tolerance = 1e-9 if samples == 1 else min(0.0051 * samples, 0.1)
        if np.all(np.abs(whole - np.round(whole)) <= tolerance):
            return 1.0 / samples
    return None


def _reasons(evidence: Evidence, control: int, empty: str) -> npt.NDArray[np.object_]:
    reasons = np.full(evidence.estimate.shape, "", dtype=object)
    reasons[~evidence.usable] = "the group has no plots"
    reasons[:, evidence.estimate[control] == 0.0] = empty
    reasons[:, ~evidence.usable[control]] = "the control group has no plots"
    reasons[control] = "this is the control group"
    return reasons


def _result(
    evidence: Evidence,
    control: int,
    alpha: float,
    method: str,
    reasons: npt.NDArray[np.object_],
    cautions: list[list[Caution]],
    single: bool,
) -> RatioResult:
    law = law_to_control(evidence, control)
    lower, upper = law.limits(alpha)
    p_equal = law.p_value(np.array(1.0))
    for j, one in enumerate(cautions):
        one.extend(_cautions(evidence, law, control, j))
    estimate = np.where(reasons == "", law.estimate, np.nan)
    estimate[control] = np.where(evidence.estimate[control] > 0.0, 1.0, np.nan)
    arrays = [estimate, lower, upper, p_equal, law.df, law.dispersion]
    if single:
        arrays = [array[:, 0] for array in arrays]
    return RatioResult(
        ratio=arrays[0],
        lower=arrays[1],
        upper=arrays[2],
        p_equal=arrays[3],
        df=arrays[4],
        dispersion=arrays[5],
        method=method,
        reasons=reasons[:, 0] if single else reasons,
        cautions=tuple(tuple(one) for one in cautions),
        law=law,
    )


def _cautions(evidence: Evidence, law: RatioLaw, control: int, response: int) -> list[Caution]:
    found: list[Caution] = []
    zeros = np.flatnonzero(law.zero[:, response] & law.defined[:, response])
    if zeros.size:
        text = "all plots of the group are zero: the limit is one-sided"
        found.append(Caution(kind="zeros", groups=tuple(zeros.tolist()), text=text))
    individuals = evidence.first[control, response]
    if evidence.family != "share" and 0.0 < individuals < FEW:
        text = f"the control rests on {individuals:.0f} individuals: intervals are conservative"
        found.append(Caution(kind="few-individuals", groups=(control,), text=text))
    few = np.flatnonzero(law.defined[:, response] & (law.df[:, response] < LEAST_DF))
    if few.size:
        text = "the dispersion of the plots is poorly known: the interval is wide"
        found.append(Caution(kind="few-degrees", groups=tuple(few.tolist()), text=text))
    if law.scatter[response] > DIFFERING:
        text = "groups differ in dispersion: the interval may cover less often than it says"
        found.append(Caution(kind="differing-dispersion", groups=(), text=text))
    return found
