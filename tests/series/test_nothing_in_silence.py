"""What a series cannot combine, or was told wrongly, is said and never claimed."""

from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pytest

from trialkit.problems import TrialError
from trialkit.series.combine import combine
from trialkit.series.options import SeriesOptions
from trialkit.series_summaries import series_lines

FIRST = date(2025, 6, 10)
USUAL = {"Untreated": 40.0, "Wimbrel": 4.0, "Tarnock": 15.0}


def table(path: Path, sites: dict[str, dict[str, float]], *, injury=False, dated=False) -> Path:
    """Counts of larvae on three days at each site, in one table."""
    rng = np.random.default_rng(11)
    head = ["site", "block", "treatment", "date" if dated else "days_after", "larvae"]
    lines = [[*head, *(["crop injury (%)"] if injury else []), *(["applied"] if dated else [])]]
    for place, (site, means) in enumerate(sites.items()):
        for block in range(1, 5):
            for name, mean in means.items():
                for day in (-1, 3, 9):
                    count = rng.poisson((mean if day > 0 else 40.0) * rng.gamma(6.0, 1 / 6))
                    start = FIRST + timedelta(10 * place)
                    line = [site, block, name, start + timedelta(day) if dated else day, count]
                    hurt = 8.0 if name == "Wimbrel" else 1.0
                    line += [round(max(rng.normal(hurt, 1.0), 0.0), 1)] if injury else []
                    lines.append([*line, *([start] if dated else [])])
    path.write_text("\n".join(",".join(map(str, line)) for line in lines) + "\n")
    return path


def test_a_product_of_one_site_neither_leads_nor_foretells(tmp_path):
    other = {"Untreated": 40.0, "Zorvex": 1.0, "Tarnock": 15.0}
    sites = {"north": USUAL, "south": USUAL, "east": USUAL, "west": other}
    found = combine(table(tmp_path / "all.csv", sites), jobs=1)
    assert any(p.kind == "in-one-trial" and "Zorvex (west)" in p.what for p in found.problems)
    assert not found.series_claims[["a", "b"]].isin(["Zorvex"]).any().any()
    row = found.combined_control.query("treatment == 'Zorvex' and window == '5-10'").iloc[0]
    assert row["percent"] > 90.0 and not np.isfinite(row["predicted_lower"])
    lines = series_lines(found)
    sentences = " ".join(line for line in lines[: lines.index("", 4)])
    assert "Wimbrel" in sentences and "Zorvex" not in sentences
    rows = [line.split()[0] for line in lines if line[:1].isalpha()]
    assert rows.index("Zorvex") > rows.index("Tarnock")
    assert "in one trial only" in " ".join(lines)


def test_injury_of_the_crop_is_combined_and_told(tmp_path):
    sites = dict.fromkeys(("north", "south", "east"), USUAL)
    found = combine(table(tmp_path / "all.csv", sites, injury=True), jobs=1)
    means = found.combined_means.query("inference == 'other sites'").set_index("treatment")["mean"]
    assert means["Wimbrel"] == pytest.approx(8.0, abs=1.0)
    claim = found.series_claims.query("question == 'crop injury' and a == 'Wimbrel'").iloc[0]
    assert claim["shown"] and claim["direction"] == "higher"
    told = " ".join(series_lines(found))
    assert "Wimbrel had more crop injury than the untreated" in " ".join(told.split())
    days = found.series_matches.query("kind == 'days' and found.str.contains('injury')")
    assert set(days["how"]) == {"before the first application", "mean of all days after treatment"}


def test_values_without_scatter_are_said_to_be_left_out(tmp_path):
    path = table(tmp_path / "all.csv", dict.fromkeys(("north", "south", "east"), USUAL))
    lines = path.read_text().splitlines()
    rng = np.random.default_rng(2)
    made = [f"{lines[0]},yield (t/ha)"]
    for line in lines[1:]:
        weight = 5.0 if line.startswith("south") else round(rng.normal(5.0, 0.4), 2)
        made.append(f"{line},{weight if ',9,' in line else ''}")
    path.write_text("\n".join(made) + "\n")
    found = combine(path, jobs=1)
    assert set(found.error_variances["trial"]) == {"north", "east"}
    assert any(p.kind == "nothing-to-weigh" and "of south" in p.what for p in found.problems)


@pytest.mark.parametrize(
    ("given", "kind", "words"),
    [
        ({"treatments": {"Wimbrel": ["Wimbrell"]}}, "unknown-in-series", "'Wimbrel'"),
        ({"treatments": {"T": ["Tarnock", "Tornack"]}}, "unknown-in-series", "'Tornack'"),
        ({"variables": {"larvae": ["grubs"]}}, "unknown-in-series", "'grubs'"),
        (
            {"treatments": {"W": [{"trial": "nroth", "name": "Wimbrel"}, "Wimbrel"]}},
            "unknown-in-series",
            "'north'",
        ),
        (
            {"treatments": {"One": ["Wimbrel"], "Two": ["wimbrel ", "Tarnock"]}},
            "name-under-two",
            "'One' and 'Two'",
        ),
    ],
)
def test_options_that_name_nothing_or_two_things_are_refused(tmp_path, given, kind, words):
    path = table(tmp_path / "all.csv", {"north": USUAL, "south": USUAL})
    with pytest.raises(TrialError) as caught:
        combine(path, options=given, jobs=1)
    (problem,) = caught.value.problems
    assert problem.kind == kind
    assert words in problem.what + problem.remedy


def test_options_may_name_what_a_trial_left_out_has(tmp_path):
    other = {"Untreated": 40.0, "Zorvex": 1.0}
    path = table(tmp_path / "all.csv", {"north": USUAL, "south": USUAL, "west": other})
    options = SeriesOptions(treatments={"Wimbrel": ["Zorvex"]}, left_out={"west": "hail"})
    assert len(combine(path, options=options, jobs=1).trials) == 2


def test_each_site_of_a_table_has_its_own_day_zero(tmp_path):
    path = table(tmp_path / "all.csv", dict.fromkeys(("north", "south"), USUAL), dated=True)
    found = combine(path, jobs=1)
    assert {(trial.first_day, trial.last_day) for trial in found.trials} == {(-1.0, 9.0)}
    plain = [line.rpartition(",")[0] for line in path.read_text().splitlines()]
    path.write_text("\n".join(plain) + "\n")
    with pytest.raises(TrialError, match="column applied"):
        combine(path, jobs=1)
