"""Limits from the courses within reach of the data."""

from __future__ import annotations

import numpy as np
import pytest

from trialkit.inference.design.layout import FloatArray, Layout
from trialkit.inference.laws.course_laws import CourseLaw, Quotient
from trialkit.inference.laws.farthest import farthest_courses
from trialkit.inference.laws.known_course import course_law

BLOCKS, TREATMENTS = 4, 4
DAYS = np.array([-1.0, 3.0, 7.0, 14.0, 21.0])


@pytest.fixture(scope="module")
def law() -> CourseLaw:
    treatment = np.tile(np.arange(TREATMENTS), BLOCKS)
    block = np.repeat(np.arange(BLOCKS), TREATMENTS)
    layout = Layout(treatment=treatment, n_treatments=TREATMENTS, blocking=(("block", block),))
    rng = np.random.default_rng(3)
    mean = np.array([40.0, 20.0, 12.0, 3.0])[treatment][:, None] * np.linspace(0.7, 1.4, DAYS.size)
    counts = rng.poisson(mean * rng.gamma(3.0, 1.0 / 3.0, size=mean.shape)).astype(float)
    return course_law(layout, counts, unit=1.0)


def _above(threshold: float) -> object:
    """A plain course of days above, by many small steps."""
    fine = np.linspace(DAYS[0], DAYS[-1], 2001)
    node = np.clip(np.searchsorted(DAYS, fine) - 1, 0, DAYS.size - 2)
    part = (fine - DAYS[node]) / np.diff(DAYS)[node]

    def days(courses: FloatArray) -> FloatArray:
        line = courses[..., node] * (1.0 - part) + courses[..., node + 1] * part
        return np.asarray((line > threshold).mean(axis=-1) * (DAYS[-1] - DAYS[0]))

    return days


def test_one_mean_has_the_limits_of_its_law(law: CourseLaw) -> None:
    """What is asked of one day alone is asked of its exact law."""
    found = farthest_courses(law, lambda courses: np.log(courses[..., 2]), 0.05)
    exact = law.ratio(Quotient(days=np.array([2]), base=None)).quantiles((0.025, 0.975))[..., 0]
    np.testing.assert_allclose(found.lower, np.log(exact[0]), atol=0.01)
    np.testing.assert_allclose(found.upper, np.log(exact[1]), atol=0.01)


def test_differences_of_logs_are_near_those_of_the_law_of_the_ratio(law: CourseLaw) -> None:
    found = farthest_courses(law, lambda courses: np.log(courses[..., 2]), 0.05)
    low, high = found.differences(0, np.zeros(TREATMENTS, dtype=bool))
    ratio = law.ratio(Quotient(days=np.array([2]), base=0)).quantiles((0.025, 0.975))[..., 0]
    exact = -np.log(ratio[::-1])
    for ends, limit in ((low, exact[0]), (high, exact[1])):
        np.testing.assert_allclose(ends[1:], limit[1:], rtol=0.12, atol=0.05)


def test_no_course_on_the_same_distance_goes_farther(law: CourseLaw) -> None:
    """Many courses at random at the same distance reach no farther than some tenths of a day."""
    days = _above(15.0)
    found = farthest_courses(law, days, 0.05)  # type: ignore[arg-type]
    laws = law.ratio(Quotient(days=np.arange(DAYS.size), base=None))
    rng = np.random.default_rng(1)
    ways = rng.standard_normal((3000, DAYS.size))
    ways *= 1.95996 / np.sqrt((ways**2).sum(axis=1, keepdims=True))
    from scipy import special

    for g in range(TREATMENTS):
        # Without what goes together over days the distance is at most as far.
        shares = special.ndtr(ways)
        grid = np.linspace(0.001, 0.999, 400)
        logs = np.log(laws.quantiles(tuple(grid))[:, g])
        courses = np.exp(
            np.column_stack([np.interp(shares[:, j], grid, logs[:, j]) for j in range(DAYS.size)])
        )
        reached = days(courses)  # type: ignore[operator]
        assert found.lower[g] <= np.quantile(reached, 0.01) + 0.3
        assert found.upper[g] >= np.quantile(reached, 0.99) - 0.3
    assert (np.diff(found.most, axis=0) >= 0.0).all()
    assert (np.diff(found.least, axis=0) <= 0.0).all()


def test_what_no_course_changes_has_no_width(law: CourseLaw) -> None:
    found = farthest_courses(law, _above(1e6), 0.05)  # type: ignore[arg-type]
    assert (found.lower == 0.0).all()
    assert (found.upper == 0.0).all()


def test_two_courses_that_may_turn_on_most_days_reach_farther(law: CourseLaw) -> None:
    days = _above(12.0)
    found = farthest_courses(law, days, 0.05)  # type: ignore[arg-type]
    loose = found.around(12.0)
    assert loose.tolist() == [
        bool(((low <= 12.0) & (high > 12.0)).sum() > DAYS.size / 2)
        for low, high in zip(found.low, found.high, strict=True)
    ]
    assert not found.around(1e6).any()
    one, two = (found.differences(1, np.full(TREATMENTS, flag)) for flag in (False, True))
    assert (two[0] <= one[0] + 1e-9).all()
    assert (two[1] >= one[1] - 1e-9).all()
    assert two[1][2] > one[1][2]
    only_other = found.differences(1, np.arange(TREATMENTS) == 2)
    np.testing.assert_array_equal(only_other, one)
