"""The mix sheet for paper and as a table."""

from __future__ import annotations

from collections.abc import Hashable, Iterator, Mapping, Sequence
from datetime import date

import pandas as pd

from trialkit.figures.identity import plain_line
from trialkit.measures.tank import catch_course_m
from trialkit.measures.units import L_PER_GAL, M2_PER_ACRE, M2_PER_HA, ML_PER_FL_OZ, convert
from trialkit.planning.blank_words import cautions
from trialkit.planning.mix import MixSheet
from trialkit.planning.options import Plan
from trialkit.planning.pages import Page, Part, heading_of, page_html
from trialkit.planning.sprayer import speed_of
from trialkit.planning.visits import in_us_units
from trialkit.trial import Trial

_GAL_PER_ACRE = L_PER_GAL / M2_PER_ACRE * M2_PER_HA
Row = Mapping[Hashable, object]


def mix_page(trial: Trial, sheet: MixSheet) -> str:
    """Make the page of a mix sheet: cautions, sprayer, tanks in the order of spraying, amounts."""
    title, subtitle = heading_of(trial)
    applications = list(dict.fromkeys(sheet.tanks["application"]))
    parts = [_sprayer_part(trial, sheet)]
    for application in applications:
        parts += _application_parts(trial, sheet, application)
    return page_html(
        Page(
            title=f"Mix sheet: {title}",
            subtitle=subtitle,
            cautions=cautions(),
            parts=tuple(parts),
        )
    )


def number(value: object, digits: int = 3) -> str:
    """Write a number with so many digits that count, without an exponent; empty for none."""
    if value is None or not isinstance(value, int | float) or value != value:
        return ""
    if value == 0:
        return "0"
    text = f"{value:.{digits}g}"
    if "e" in text:
        text = f"{float(text):f}".rstrip("0").rstrip(".")
    return text.replace("-", "\N{MINUS SIGN}")


def _volume(litres: object, *, us: bool) -> str:
    if not isinstance(litres, int | float) or litres != litres:
        return ""
    text = f"{number(litres)} L" if litres >= 1 else f"{number(litres * 1000)} mL"
    if not us:
        return text
    ounces = litres * 1000 / ML_PER_FL_OZ
    return (
        f"{text} ({number(ounces)} fl oz)"
        if ounces < 128
        else (f"{text} ({number(litres / L_PER_GAL)} gal)")
    )


def _sprayer_part(trial: Trial, sheet: MixSheet) -> Part:
    """What the sprayer was taken to do, with everything that is asked about."""
    plan, sprayer = Plan.of(trial), sheet.sprayer
    rows: list[tuple[str, str]] = [
        (key.partition(".")[2].replace("_", " "), plain_line(text))
        for key, text in plan.texts.items()
        if key.startswith("sprayer.") or key in {"plan.plot_length", "plan.plot_width"}
    ]
    worked = [
        ("output of the sprayer", sprayer.output, "L/ha"),
        ("", None if sprayer.output is None else sprayer.output / _GAL_PER_ACRE, "gal/acre"),
        ("sprayed for one plot", sprayer.sprayed_m2, "m\N{SUPERSCRIPT TWO}"),
        ("time for one plot", sprayer.seconds, "s"),
    ]
    rows += [(what, f"{number(value)} {unit}") for what, value, unit in worked if value is not None]
    if plan.text("sprayer.speed") is None and (speed := speed_of(plan)) is not None:
        rows.append(("speed over the timed course", f"{number(speed)} km/h"))
    spacing = plan.quantity("sprayer.spacing", "m")
    if spacing is not None and in_us_units(trial):
        feet = number(float(convert(catch_course_m(spacing), "m", "ft")))
        rows.append(
            ("course for a catch", f"{feet} ft: fl oz caught from one nozzle on it are gal/acre")
        )
    if sprayer.passes > 1:
        rows.append(("passes over a plot", str(sprayer.passes)))
    if sprayer.nozzles is not None:
        listed = ", ".join(f"{item:+.0f}" for item in sprayer.nozzles.deviation_percent)
        rows.append(("nozzles, percent from the middle", listed.replace("-", "\N{MINUS SIGN}")))
    return Part(
        title="Sprayer",
        headings=("what", "as given or worked out"),
        rows=tuple(rows),
        notes=tuple(f"{item.what} {item.remedy}" for item in sheet.problems),
    )


def _application_parts(trial: Trial, sheet: MixSheet, application: object) -> list[Part]:
    us = in_us_units(trial)
    tanks = _rows(sheet.tanks, application)
    amounts = _rows(sheet.amounts, application)
    name = "" if application is None else f"Application {application}"
    when = next((row["date"] for row in tanks if isinstance(row["date"], date)), None)
    title = ", ".join(filter(None, (name, when.isoformat() if when else "")))
    seed = all(row["method"] == "seed treatment" for row in tanks)
    first = Part(
        title=f"{title or 'Application'}: tanks in the order of spraying",
        headings=("order", "treatment", "before", "plots", "mix", "through the nozzles", "done"),
        rows=tuple(_tank_line(row, us=us) for row in tanks),
        numbers=frozenset({0, 3}),
        whole=frozenset({4, 5}),
        notes=()
        if seed
        else (
            "What stays in the tank is measured and written down: it gives the rate that was put "
            "out (trialkit mix --left).",
        ),
    )
    second = Part(
        title=f"{title or 'Application'}: what goes into each tank",
        headings=(
            "treatment", "product", "rate", "amount", "measure", "error, %", "active, g",
            *(("US units",) if us else ()), "weighed or measured",
        ),
        rows=tuple(_amount_lines(amounts, us=us)),
        numbers=frozenset({3, 4, 5, 6}),
        whole=frozenset({2, 7}),
        joined=True,
    )  # fmt: skip
    return [first, second]


def _rows(table: pd.DataFrame, application: object) -> list[Row]:
    return [row for row in table.to_dict("records") if row["application"] == application]


def _treatment(row: Row) -> str:
    return plain_line(f"{row['treatment']} {row['name']}")


def _tank_line(row: Row, *, us: bool) -> tuple[str, ...]:
    mix = _volume(row["mix_l"], us=us)
    injected = [
        f"{number(row[name])} {unit}"
        for name, unit in (
            ("inject_ml_per_min", "mL/min"),
            ("inject_g_per_min", "g/min, dissolved"),
        )
        if row[name] is not None
    ]
    if injected:
        mix = f"inject {' and '.join(injected)}"
    return (
        str(row["order"]),
        _treatment(row),
        str(row["before"]),
        str(row["plots"]),
        mix or str(row["method"]),
        _volume(row["needed_l"], us=us),
        "",
    )


def _amount_lines(rows: Sequence[Row], *, us: bool) -> Iterator[tuple[str, ...]]:
    """One line a product; a treatment is named once, and by its id where its product says it."""
    before: object = None
    for row in rows:
        again = row["treatment"] == before
        before = row["treatment"]
        named = plain_line(str(row["treatment"] if row["product"] == row["name"] else ""))
        yield ("" if again else named or _treatment(row), *_amount_line(row, us=us))


def _amount_line(row: Row, *, us: bool) -> tuple[str, ...]:
    unit = str(row["unit"])
    measure = row["measure"]
    return (
        plain_line(str(row["product"])),
        f"{number(row['rate'], 6)} {plain_line(str(row['rate_unit']))}",
        f"{number(row['amount'], 4)} {unit}",
        "" if measure is None else f"{number(measure, 6)} {unit}",
        number(row["error_percent"], 2),
        number(row["active_g"]),
        *((str(row["amount_us"]),) if us else ()),
        "",
    )


def mix_lines(sheet: MixSheet, *, us: bool = False) -> list[str]:
    """Write the amounts for the terminal, a line a product; with ``us`` in US units too."""
    lines = []
    for row in sheet.amounts.to_dict("records"):
        of = "" if row["application"] is None else f"application {row['application']}, "
        tank = next(
            item
            for item in sheet.tanks.to_dict("records")
            if item["treatment"] == row["treatment"] and item["application"] == row["application"]
        )
        mix = _volume(tank["mix_l"], us=us)
        also = f" ({row['amount_us']})" if us else ""
        within = f" in {mix}" if mix else ""
        lines.append(
            f"{of}{_treatment(row)}: {number(row['amount'], 4)} {row['unit']}{also} of "
            f"{plain_line(str(row['product']))}{within} for {tank['plots']} plots"
        )
    return lines
