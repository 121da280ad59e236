"""A recorded trial fitted again through statsmodels and scipy alone.

Nothing but the data of the trial and the names of scale and procedure are taken from the record:
plots are averaged, brought to the scale, fitted and compared by general libraries.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from trialkit.analysis.schema import TABLES
from trialkit.desk.checking import checked
from trialkit.desk.second_route.agreement import AGREES, SecondRoute, TableAgreement, Tally
from trialkit.problems import TrialError, error, listing
from trialkit.record.reading import trial_from_record

__all__ = ["AGREES", "SecondRoute", "TableAgreement", "second_route", "second_route_lines"]


def second_route(record: Mapping[str, Any]) -> SecondRoute:
    """Fit a recorded trial again through statsmodels and scipy, and compare.

    Parameters
    ----------
    record : mapping
        As ``read_record`` gives it.

    Raises
    ------
    TrialError
        When a part of the record is damaged, or statsmodels is not installed.

    Examples
    --------
    >>> import trialkit
    >>> trial = trialkit.example_trial("leaf_disease_wheat")
    >>> written = trialkit.report_trial(trial, "report", formats=())
    >>> trialkit.second_route(trialkit.read_record(written.paths[-1])).same
    True
    """
    try:
        import statsmodels.api  # noqa: F401 - asked for here, so that its lack is told plainly
    except ImportError:
        raise TrialError(
            [
                error(
                    "no-second-route",
                    "The second route needs statsmodels, which is not installed.",
                    "Install it: pip install statsmodels.",
                )
            ]
        ) from None
    from trialkit.desk.second_route.arithmetic import (
        compare_areas,
        compare_control,
        compare_covariates,
        compare_factors,
    )
    from trialkit.desk.second_route.counted import compare_counts
    from trialkit.desk.second_route.mixed import compare_mixed
    from trialkit.desk.second_route.plain import compare_response
    from trialkit.desk.second_route.plots import key_of, named, plot_values
    from trialkit.desk.second_route.repeated import compare_courses

    trial, tables, tally = trial_from_record(record), checked(record)["tables"], Tally()
    data = plot_values(trial)
    for item in tables.get("responses", []):
        key = key_of(item)
        if key in data.values:
            compare_response(trial, data.values[key], item, tables, tally)
        else:
            tally.skip(f"{named(key)}: its plot values need more than plain averages.")
    compare_factors(trial, data, tables, tally)
    compare_areas(data, tables, tally)
    compare_control(trial, data, tables, tally)
    compare_covariates(trial, data, tables, tally)
    compare_counts(trial, data, tables, tally)
    compare_mixed(trial, data, tables, tally)
    compare_courses(trial, data, tables, tally)
    compared = {table for table, _ in tally.worst}
    left = [TABLES[name].sheet for name in TABLES if tables.get(name) and name not in compared]
    if left:
        tally.skip(f"Whole tables: {listing(left, len(left))}.")
    if compared:
        tally.skip("Intervals, and what comes from draws or rearrangements at random.")
    return SecondRoute(tables=tuple(tally.worst.values()), cannot=tuple(tally.cannot))


def second_route_lines(found: SecondRoute) -> list[str]:
    """Write the outcome for a terminal."""
    from trialkit.plain_text import wrapped

    head = "Second route (statsmodels and scipy, from the data alone): "
    if not found.tables:
        head += "nothing could be compared."
    else:
        head += "all agrees." if found.same else "some numbers differ."
    lines = wrapped(head)
    for item in found.tables:
        mark = "" if item.agrees else f"; more than {item.allowed:g}"
        lines += wrapped(
            f"{item.table}, {item.column}: {item.compared:,} compared, largest "
            f"{item.measured_by} {item.largest:.1e} ({item.where}){mark}",
            "  ",
            "    ",
        )
    lines += wrapped("What it cannot do:") if found.cannot else []
    for text in found.cannot:
        lines += wrapped(text, "  ", "    ")
    return lines
