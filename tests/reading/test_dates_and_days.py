"""Dates are read where only one reading fits; days and dates have to make sense together."""

from __future__ import annotations

from datetime import date

import pytest


def dated(first: str, second: str) -> str:
    """Counts on two dates."""
    return "plot,date,aphids\n" + "".join(
        f"{plot},{day},5\n" for day in (first, second) for plot in ("101", "102", "201", "202")
    )


def days_of(found):
    return sorted(set(found.reading.trial.counts["day"]))


@pytest.mark.parametrize(
    ("first", "second"),
    [
        ("2025-06-11", "2025-06-19"),
        ("2025/06/11", "2025/06/19"),
        ("11 June 2025", "19 Jun 2025"),
        ("June 11 2025", "Jun. 19 2025"),
        ("2025-06-11T00:00:00", "2025-06-19 00:00"),
        ("11-Jun-2025", "19-jun-2025"),
    ],
)
def test_dates_that_leave_no_doubt(folder, check, first, second):
    found = check(folder({"counts.csv": dated(first, second)}))
    assert found.problems == ()
    assert days_of(found) == [-1, 7]


@pytest.mark.parametrize(
    ("first", "second", "order"),
    [
        ("11.06.2025", "19.06.2025", "day, month, year"),
        ("11/06/2025", "19/06/2025", "day, month, year"),
        ("6/11/2025", "6/19/2025", "month, day, year"),
        ("11.6.2025", "19.6.2025", "day, month, year"),
        ("11-06-2025", "19-06-2025", "day, month, year"),
        ("11.06.25", "19.06.25", "day, month, year"),
        ("25-06-11", "25-06-19", "year, month, day"),
    ],
)
def test_orders_that_fit_the_whole_column(folder, check, first, second, order):
    found = check(folder({"counts.csv": dated(first, second)}))
    assert days_of(found) == [-1, 7]
    said = found.warning("date-order", "counts.csv, row 2, column date")
    assert f"read as {order}" in said
    assert f"'{first}' is 2025-06-11" in said


def test_dates_that_can_be_read_twice(folder, check):
    found = check(folder({"counts.csv": dated("6/07/2025", "9/07/2025")}))
    assert "The same in 7 more places: rows 3, 4, 5, 6 and 3 more." in found.error("date-unclear")
    said = str(found.of("date-unclear")[0])
    assert "counts.csv, row 2, column date: " in said
    assert "2025-06-07 or 2025-07-06" in said
    assert "such as 2025-06-19" in said
    assert found.reading.trial is None


def test_points_mean_day_first(folder, check):
    found = check(folder({"counts.csv": dated("06.07.2025", "09.07.2025")}))
    assert days_of(found) == [24, 27]
    found.warning("date-order")


@pytest.mark.parametrize(
    "written", ["19.13.2025", "2025-02-30", "yesterday", "45820", "31/31/2025"]
)
def test_no_date(folder, check, written):
    found = check(folder({"counts.csv": dated("2025-06-11", written)}))
    said = str(found.of("day-unreadable")[0])
    assert said.startswith(f"counts.csv, row 6, column date: '{written}' is no date")


@pytest.mark.parametrize("written", ["soon", "7-14", "7 or 8", "seven"])
def test_no_day(folder, base, check, written):
    text = base["counts.csv"].replace("102,7,2", f"102,{written},2")
    said = check(folder({"counts.csv": text})).error(
        "day-unreadable", "counts.csv, row 7, column days_after"
    )
    assert f"'{written}' is no day." in said


def test_a_row_without_day(folder, base, check):
    text = base["counts.csv"].replace("102,7,2", "102,,2")
    said = check(folder({"counts.csv": text})).error(
        "day-unreadable", "counts.csv, row 7, column days_after"
    )
    assert "This row has no day." in said


def test_dates_without_day_zero(folder, base, check):
    toml = base["trial.toml"].replace("applied = 2025-06-12\n", "")
    found = check(folder({"trial.toml": toml, "counts.csv": dated("2025-06-11", "2025-06-19")}))
    assert "applied = 2025-06-12" in found.error("no-day-zero", "counts.csv, row 2, column date")


def test_day_zero_from_the_applications(folder, base, check):
    toml = base["trial.toml"].replace("applied = 2025-06-12\n", "")
    found = check(
        folder(
            {
                "trial.toml": toml,
                "counts.csv": dated("2025-06-11", "2025-06-19"),
                "applications.csv": "date,gal_per_acre\n2025-06-20,15\n2025-06-12,20\n",
            }
        )
    )
    trial = found.reading.trial
    assert trial.applied == date(2025, 6, 12)
    assert days_of(found) == [-1, 7]
    assert [item.date.day for item in trial.applications] == [20, 12]
    assert trial.applications[0].carrier_gal_per_acre == 15
    assert trial.applications[0].carrier_l_per_ha is None


def test_applications_that_start_on_another_day(folder, check):
    found = check(folder({"applications.csv": "date\n2025-06-13\n"}))
    said = found.warning("applied-differs", "applications.csv, row 1, column date")
    assert "2025-06-13" in said
    assert "2025-06-12" in said
    assert found.reading.trial.applied == date(2025, 6, 12)


def test_day_zero_from_days_and_dates(folder, base, check):
    toml = base["trial.toml"].replace("applied = 2025-06-12\n", "")
    text = "plot,date,days_after,aphids\n" + "".join(
        f"{plot},{day},{n},5\n"
        for day, n in (("2025-06-11", -1), ("2025-06-19", 7))
        for plot in ("101", "102", "201", "202")
    )
    found = check(folder({"trial.toml": toml, "counts.csv": text}))
    assert "2025-06-12" in found.warning("applied-found")
    assert found.reading.trial.applied == date(2025, 6, 12)


def test_days_and_dates_that_do_not_agree(folder, check):
    text = "plot,date,days_after,aphids\n" + "".join(
        f"{plot},2025-06-19,{n},5\n" for plot, n in (("101", 7), ("102", 7), ("201", 8), ("202", 7))
    )
    said = check(folder({"counts.csv": text})).error(
        "days-out-of-order", "counts.csv, row 4, column date"
    )
    assert "2025-06-19 and day 8 do not agree" in said
    assert "it would be day 7" in said


@pytest.mark.parametrize("wrong", ["2015-06-19", "2205-06-19"])
def test_dates_years_away(folder, check, wrong):
    found = check(folder({"counts.csv": dated("2025-06-11", wrong)}))
    said = found.error("days-out-of-order")
    assert wrong in said
    assert "the first application (2025-06-12)" in said


def test_all_dates_before_the_application(folder, check):
    found = check(folder({"counts.csv": dated("2025-06-01", "2025-06-11")}))
    said = found.error("days-out-of-order", "counts.csv, row 6, column date")
    assert "All assessments come before the first application (2025-06-12)" in said


def test_a_date_column_called_day(folder, check):
    found = check(folder({"counts.csv": dated("2025-06-11", "2025-06-19").replace("date", "Day")}))
    assert days_of(found) == [-1, 7]
    assert found.problems == ()
