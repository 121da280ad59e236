"""What is saved reads back equal, as a folder and as a workbook, whatever the text."""

from __future__ import annotations

import os
import re
import tempfile
from dataclasses import fields, replace
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from trialkit.reading import read_trial, save_trial
from trialkit.reading.headers import normal
from trialkit.reading.leftout import may_be_summary_word
from trialkit.reading.numbers import plain_number
from trialkit.trial import (
    HARVEST_COLUMNS,
    REPORT_TEXTS,
    Application,
    Comparison,
    ControlMethod,
    Design,
    Kind,
    Plot,
    Settings,
    Transform,
    Treatment,
    TreatmentRole,
    Trial,
    Variable,
    VariableRole,
    empty_assessments,
    empty_counts,
    empty_doses,
    empty_events,
    empty_harvest,
    empty_weather,
    empty_yields,
)
from trialkit.trial_tables import EVENT_KINDS, text_column

ODD = [
    "None", "NA", "007", "7", "1e3", "1,5", "1.5", "<script>alert(1)</script>", "=1+1", "+1", "-",
    "@x", "../x", "🐛 larvae", 'say "so"', "it's", "a;b", "a,b", "a\tb", "two\nlines", "nan", "inf",
    "TRUE", "#N/A", "#1", "2025-06-19", "1-2", "ü", "Note 1", "*", "Mean", "n", "_x0041_", "%",
    "=\"x\"", "'7", "plot", "treatment", "day", "{}", "a\\b", "\ufeffx", "７", "0.10", "1_000",
]  # fmt: skip
letters = st.characters(
    codec="utf-8", exclude_categories=("Cc", "Cs"), exclude_characters="\ufeff\ufffe\uffff"
)
texts = st.one_of(
    st.sampled_from(ODD),
    st.text(letters, min_size=1, max_size=12).map(lambda t: t.strip()).filter(bool),
)
ids = texts
optional = st.none() | texts
positive = st.just(0.0) | st.floats(1e-9, 1e6, allow_nan=False)
#: 999 and its like is refused where it may stand for a missing value.
STAND_IN = re.compile(r"9{2,6}(?:\.0+|\.9+)?")
numbers = st.one_of(st.integers(0, 5000).map(float), positive).filter(
    lambda value: value < 999.0 or not STAND_IN.fullmatch(repr(value))
)
AS_FOLDER_AND_BOOK = settings(
    max_examples=int(os.environ.get("TRIALKIT_EXAMPLES", "20")),
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much],
)


def _unlike(names: list[str]) -> bool:
    """Whether names differ in more than case and marks, as ids of columns must."""
    return len({"".join(c for c in n.casefold() if c.isalnum()) or n for n in names}) == len(names)


@st.composite
def trials(draw: st.DrawFn) -> Trial:
    """Trials that keep the rules of the design."""
    treatment_ids = draw(st.lists(ids, min_size=2, max_size=4, unique=True))
    assume(_unlike(treatment_ids))
    n_blocks = draw(st.integers(2, 3))
    # A block called 'Mean' is refused as a row of means.
    block_ids = ids.filter(lambda text: not may_be_summary_word(text))
    blocks = draw(st.lists(block_ids, min_size=n_blocks, max_size=n_blocks, unique=True))
    plot_ids = draw(
        st.lists(
            ids,
            min_size=n_blocks * len(treatment_ids),
            max_size=n_blocks * len(treatment_ids),
            unique=True,
        )
    )
    untreated = treatment_ids[0]
    applications = draw(_applications())
    treatments = tuple(
        Treatment(
            id=key,
            name=draw(texts),
            role=TreatmentRole.UNTREATED
            if key == untreated
            else draw(st.sampled_from([TreatmentRole.TEST, TreatmentRole.REFERENCE])),
            rate=draw(st.none() | positive),
            rate_unit=draw(optional),
            mode_of_action=draw(optional),
            **draw(_costs()),
            applications=draw(_named(applications)),
            extra=draw(st.dictionaries(st.sampled_from(["Remark", "Dose", "a,b"]), texts)),
        )
        for key in treatment_ids
    )
    spots = [(block, key) for block in blocks for key in treatment_ids]
    mapped = draw(st.booleans())
    plots = tuple(
        Plot(
            id=plot,
            treatment=key,
            block=block,
            row=1 + index // 3 if mapped else None,
            column=1 + index % 3 if mapped else None,
        )
        for index, (plot, (block, key)) in enumerate(zip(plot_ids, spots, strict=True))
    )
    names = draw(st.lists(texts, min_size=1, max_size=3, unique=True))
    assume(_unlike(names))
    grain = draw(st.booleans())
    variables = [
        Variable(
            name=name,
            label=name,
            kind=Kind.MEASUREMENT,
            role=draw(st.sampled_from([VariableRole.PEST, VariableRole.DAMAGE])),
            threshold=draw(st.none() | positive),
            code=draw(optional),
            unit=draw(optional),
            transform=draw(st.none() | st.sampled_from(Transform)),
        )
        for name in names
    ]
    yields, harvest = empty_yields(), empty_harvest()
    if grain and _unlike([*names, "grain mass"]):
        variables.append(
            Variable(
                name="grain mass", label="Grain", kind=Kind.MEASUREMENT, role=VariableRole.YIELD
            )
        )
        yields = draw(_yields(plot_ids))
        harvest = draw(_harvest(plot_ids))
    counts = draw(_counts(plot_ids, names))
    if draw(st.booleans()):
        variables, counts = draw(_as_shares(variables, counts))
    return Trial(
        title=draw(texts),
        design=draw(st.sampled_from([Design.RCBD, Design.CRD])),
        treatments=treatments,
        plots=plots,
        variables=tuple(variables),
        counts=counts,
        yields=yields,
        harvest=harvest,
        applications=applications,
        doses=draw(_doses(treatment_ids, applications)),
        assessments=draw(_assessments(names)),
        weather=draw(_weather()),
        events=draw(_events(plot_ids)),
        report=draw(st.dictionaries(st.sampled_from(REPORT_TEXTS), texts)),
        settings=replace(draw(_settings()), contrasts=_contrasts(treatments)),
        applied=date(2025, 6, 12),
        untreated=untreated,
        crop=draw(optional),
        crop_code=draw(optional),
        site=draw(optional),
        season=draw(optional),
        plot_area_m2=draw(st.none() | st.floats(0.1, 1e4)),
        notes=draw(optional),
        extra=draw(
            st.dictionaries(st.sampled_from(["cultivar", "row spacing", "a.b", "é"]), texts)
        ),
    )


@st.composite
def _counts(draw: st.DrawFn, plots: list[str], names: list[str]) -> pd.DataFrame:
    days = draw(st.lists(st.sampled_from([-1.0, 0.5, 3.0, 7.0, 14.0]), min_size=1, unique=True))
    samples = draw(st.sampled_from([[None], ["1", "2"], ["b", "a", "007"]]))
    full = draw(st.booleans())
    rows = [
        (plot, name, day, sample, draw(numbers | st.just(float("nan"))))
        for plot in plots
        for name in names
        for day in sorted(days)
        for sample in samples
        if full or draw(st.integers(0, 9)) > 0
    ]
    # A day on which nothing has a value is no assessment and would be left out.
    met = {(name, day, sample) for _, name, day, sample, value in rows if value == value}
    rows = [row for row in rows if row[1:4] in met]
    assume({row[1] for row in rows} == set(names))
    return _frame(rows, empty_counts())


@st.composite
def _as_shares(
    draw: st.DrawFn, variables: list[Variable], counts: pd.DataFrame
) -> tuple[list[Variable], pd.DataFrame]:
    """Make some variables shares k of n: of a column (or two), or of one number for all plots."""
    named = texts.filter(lambda text: plain_number(text.replace(",", ".")) is None)
    columns = draw(st.lists(named, min_size=1, max_size=2, unique=True))
    assume(_unlike([*(item.name for item in variables), *columns]))
    of = st.none() | st.sampled_from(columns) | st.integers(1, 200).map(float)
    value, number = counts["value"].to_numpy(copy=True), np.full(len(counts), np.nan)
    shared: dict[tuple[object, ...], int] = {}
    made = []
    for item in variables:
        examined = draw(of) if item.role is not VariableRole.YIELD else None
        rows = np.flatnonzero((counts["variable"] == item.name) & counts["value"].notna())
        for row in rows if examined is not None else ():
            n = examined
            if isinstance(examined, str):
                key = (examined, *counts.loc[row, ["plot", "day", "sample"]])
                n = shared.setdefault(key, draw(st.integers(1, 10_000)))
            number[row] = n
            value[row] = 100.0 * draw(st.integers(0, int(n))) / n
        kind = Kind.PERCENT if examined is not None else item.kind
        made.append(replace(item, kind=kind, examined=examined))
    counts = counts.assign(value=value)
    return made, counts if np.isnan(number).all() else counts.assign(examined=number)


@st.composite
def _yields(draw: st.DrawFn, plots: list[str]) -> pd.DataFrame:
    rows = [(plot, "grain mass", draw(numbers)) for plot in plots if draw(st.integers(0, 4))]
    return _frame(rows, empty_yields())


@st.composite
def _harvest(draw: st.DrawFn, plots: list[str]) -> pd.DataFrame:
    if draw(st.booleans()):
        return empty_harvest()
    nan = float("nan")
    rows = [(plot, draw(positive), nan, 7.5, nan, draw(st.floats(1e-9, 99))) for plot in plots]
    assert len(rows[0]) == len(HARVEST_COLUMNS)
    return _frame(rows, empty_harvest())


def _frame(rows: list[tuple[object, ...]], like: pd.DataFrame) -> pd.DataFrame:
    if not rows:
        return like
    made = {}
    for index, name in enumerate(like.columns):
        column = np.empty(len(rows), dtype=like[name].dtype)
        column[:] = [row[index] for row in rows]
        made[name] = column
    return pd.DataFrame(made)


@st.composite
def _applications(draw: st.DrawFn) -> tuple[Application, ...]:
    if draw(st.booleans()):
        return ()
    named = draw(st.sampled_from([("1", "2"), ("A", "B"), ("T1", "T2"), ("early; late", "late")]))
    american = draw(st.booleans())
    volume = "carrier_gal_per_acre" if american else "carrier_l_per_ha"
    return tuple(
        Application(
            id=name,
            date=day,
            **{volume: draw(st.none() | positive)},
            method=draw(optional),
            growth_stage=draw(optional),
            equipment=draw(optional),
            details=draw(st.dictionaries(st.sampled_from(["nozzle", "Spray volume", "ü"]), texts)),
        )
        for name, day in zip(named, (date(2025, 6, 12), date(2025, 6, 30)), strict=True)
    )


def _named(applications: tuple[Application, ...]) -> st.SearchStrategy[tuple[str, ...]]:
    """Applications of a treatment: some of those listed, in their order, or plain marks."""
    known = [item.id for item in applications] or ["1", "2", "B"]
    return st.lists(st.sampled_from(known), unique=True).map(
        lambda some: tuple(sorted(some, key=known.index))
    )


@st.composite
def _costs(draw: st.DrawFn) -> dict[str, float]:
    return {draw(st.sampled_from(["cost_per_ha", "cost_per_acre"])): draw(st.none() | positive)}


@st.composite
def _doses(
    draw: st.DrawFn, treatments: list[str], applications: tuple[Application, ...]
) -> pd.DataFrame:
    nan = float("nan")
    amount = st.just(nan) | positive
    known: list[str | None] = [item.id for item in applications]
    rows = [
        (treatment, application, draw(amount), draw(optional), draw(amount))
        for treatment in treatments
        for application in known or [None]
        if draw(st.booleans())
    ]
    frame = _facts(rows, empty_doses())
    return frame.assign(batch=text_column([draw(texts) for _ in rows])) if rows else frame


def _facts(rows: list[tuple[object, ...]], like: pd.DataFrame) -> pd.DataFrame:
    frame = _frame(rows, like)
    for index, name in enumerate(like.columns):
        if like[name].dtype == object:
            frame[name] = text_column([row[index] for row in rows])
    return frame


@st.composite
def _assessments(draw: st.DrawFn, names: list[str]) -> pd.DataFrame:
    plain = [name for name in names if normal(name) not in {"all", "allvariables", "every"}]
    rows = [
        (
            day,
            draw(st.none() | st.sampled_from(plain or [None])),
            *(draw(optional) for _ in "12345"),
        )
        for day in draw(st.lists(st.sampled_from([float("nan"), -1.0, 0.5, 7.0]), max_size=3))
    ]
    # A row in which nothing stands is no fact, and comes back as none.
    rows = [row for row in rows if row[0] == row[0] or any(row[1:])]
    return _facts(rows, empty_assessments())


@st.composite
def _weather(draw: st.DrawFn) -> pd.DataFrame:
    days = draw(st.lists(st.dates(date(2025, 5, 1), date(2025, 9, 1)), max_size=3))
    if not days:
        return empty_weather()
    made: dict[str, object] = {"date": text_column(days)}
    for name in draw(st.lists(st.sampled_from(["rain (mm)", "Max °F", "wind"]), unique=True)):
        if draw(st.booleans()):
            made[name] = np.array([draw(numbers) for _ in days])
        else:
            made[name] = text_column(["calm", *(draw(texts) for _ in days[1:])])
    return pd.DataFrame(made)


@st.composite
def _events(draw: st.DrawFn, plots: list[str]) -> pd.DataFrame:
    where = st.none() | st.sampled_from(plots)
    rows = [
        (draw(st.none() | st.just(date(2025, 7, 1))), draw(texts), kind, draw(where))
        for kind in draw(st.lists(st.sampled_from(EVENT_KINDS), max_size=3))
    ]
    return _facts(rows, empty_events())


@st.composite
def _settings(draw: st.DrawFn) -> Settings:
    return Settings(
        alpha=draw(st.floats(0.001, 0.499)),
        comparison=draw(st.sampled_from(Comparison)),
        transform=draw(st.sampled_from(Transform)),
        control=draw(st.sampled_from(ControlMethod)),
        control_target=draw(st.floats(1, 100)),
        seed=draw(st.integers(0, 2**40)),
        standard_moisture_percent=draw(st.none() | st.floats(1e-9, 99)),
        yield_unit=draw(st.sampled_from(["kg/ha", "t/ha", "lb/acre", "bu/acre"])),
        bushel_lb=draw(st.floats(1, 100)),
        crop_price=draw(st.none() | positive),
        currency=draw(optional),
        noninferiority_margin=draw(st.floats(0.5, 99)),
        supporting=draw(st.booleans()),
    )


def _contrasts(treatments: tuple[Treatment, ...]) -> tuple[str, ...]:
    """One planned contrast, where two ids can stand in a text."""
    plain = [item.id for item in treatments if item.id.isalnum() and item.id != "against"]
    return (f"first = {plain[0]} against {', '.join(plain[1:])}",) if len(plain) > 1 else ()


def _same(trial: Trial, again: Trial) -> None:
    for name in (item.name for item in fields(Trial)):
        if name in {"warnings", "understood", "inputs", "listed_at"}:
            continue
        mine, theirs = getattr(trial, name), getattr(again, name)
        if isinstance(mine, pd.DataFrame):
            pd.testing.assert_frame_equal(mine, theirs, check_exact=True)
        else:
            assert mine == theirs, name
    assert trial == again


@given(trials())
@AS_FOLDER_AND_BOOK
def test_a_saved_folder_reads_back_equal(trial: Trial) -> None:
    with tempfile.TemporaryDirectory() as place:
        save_trial(trial, Path(place) / "trial")
        _same(trial, read_trial(Path(place) / "trial"))


@given(trials())
@AS_FOLDER_AND_BOOK
def test_a_saved_workbook_reads_back_equal(trial: Trial) -> None:
    with tempfile.TemporaryDirectory() as place:
        save_trial(trial, Path(place) / "trial.xlsx")
        _same(trial, read_trial(Path(place) / "trial.xlsx"))


if __name__ == "__main__":
    pytest.main([__file__])
