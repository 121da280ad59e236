"""A table of several sites and years is cut into trials, each read as if it stood alone."""

import random

import pytest

from trialkit.reading import read
from trialkit.reading.parts import read_parts

HEAD = "site,year,block,treatment,name,days_after,larvae"
DESCRIBED = 'design = "rcbd"\nuntreated = "1"\n[variables.larvae]\nkind = "count"\nrole = "pest"\n'


def lines_of(site: str, year: int, seed: int) -> list[str]:
    rng = random.Random(seed)
    return [
        f"{site},{year},{block},{number},{name},{day},{rng.randint(low, 3 * low)}"
        for block in range(1, 5)
        for number, name, low in ((1, "Untreated", 20), (2, "Wimbrel", 3), (3, "Tarnock", 8))
        for day in (-1, 3, 7)
    ]


@pytest.fixture
def places() -> dict[tuple[str, int], list[str]]:
    return {
        (site, year): lines_of(site, year, number)
        for number, (site, year) in enumerate(
            [("North farm", 2024), ("North farm", 2025), ("South farm", 2025)]
        )
    }


def test_each_part_is_the_trial_that_its_own_file_gives(tmp_path, places):
    (tmp_path / "trial.toml").write_text(DESCRIBED)
    mixed = [line for rows in zip(*places.values(), strict=True) for line in rows]
    (tmp_path / "all.csv").write_text("\n".join([HEAD, *mixed]) + "\n")
    parts = read_parts(tmp_path / "all.csv")
    assert sorted(part.name for part in parts) == [
        "North farm 2024",
        "North farm 2025",
        "South farm 2025",
    ]
    for part in parts:
        site, year = part.name.rsplit(" ", 1)
        alone = tmp_path / part.name.replace(" ", "_")
        alone.mkdir()
        (alone / "trial.toml").write_text(DESCRIBED)
        (alone / "one.csv").write_text("\n".join([HEAD, *places[site, int(year)]]) + "\n")
        own = read(alone / "one.csv").trial
        found = part.reading.trial
        assert found is not None
        assert own is not None
        assert (found.site, found.season) == (site, year)
        for name in ("counts", "yields"):
            assert getattr(found, name).equals(getattr(own, name))
        assert found.plots == own.plots
        assert found.treatments == own.treatments


def test_spellings_of_a_site_are_one_and_problems_keep_their_row(tmp_path, places):
    rows = [HEAD, *places["North farm", 2024], *places["South farm", 2025]]
    rows[5] = rows[5].replace("North farm", "north  FARM")
    rows[40] = rows[40].rsplit(",", 1)[0] + ",many"
    (tmp_path / "all.csv").write_text("\n".join(rows) + "\n")
    north, south = read_parts(tmp_path / "all.csv")
    assert north.reading.trial is not None
    assert len(north.reading.trial.plots) == 12
    assert south.reading.trial is None
    assert [(p.place.row, p.kind) for p in south.reading.problems if p.severity == "error"] == [
        (41, "text-in-number")
    ]


def test_a_row_without_its_site_is_told(tmp_path, places):
    rows = [HEAD, *places["North farm", 2024], *places["South farm", 2025]]
    rows[7] = rows[7].replace("North farm", "")
    (tmp_path / "all.csv").write_text("\n".join(rows) + "\n")
    for part in read_parts(tmp_path / "all.csv"):
        kinds = {(p.kind, p.place.row) for p in part.reading.problems if p.severity == "error"}
        assert ("no-site", 8) in kinds


def test_one_trial_is_one_part(tmp_path, places):
    (tmp_path / "one.csv").write_text("\n".join([HEAD, *places["North farm", 2024]]) + "\n")
    (part,) = read_parts(tmp_path / "one.csv")
    assert part.name == ""
    assert part.reading.trial == read(tmp_path / "one.csv").trial
