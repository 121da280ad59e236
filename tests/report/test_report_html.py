from __future__ import annotations

import itertools
import re
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from functools import cache
from xml.etree import ElementTree

import html5lib
import pytest

from trialkit.analysis import Analysis
from trialkit.figures.identity import contrast
from trialkit.report import compose, draw_figures
from trialkit.report.document import Column, Document, Kind, Missing, Section, Table
from trialkit.report.html import render_html
from trialkit.report.laid_out import hold_together, page_table, shade
from trialkit.report.numbers import write_number
from trialkit.resources import data_folder

NAMESPACE = "{http://www.w3.org/1999/xhtml}"


@pytest.fixture(scope="session")
def drawings(analysis: Analysis, document: Document) -> dict[str, str]:
    return draw_figures(analysis, document)


@pytest.fixture(scope="session")
def page(document: Document, drawings: dict[str, str]) -> str:
    return render_html(document, drawings)


@cache
def parsed(page: str) -> ElementTree.Element:
    parser = html5lib.HTMLParser(tree=html5lib.getTreeBuilder("etree"), strict=True)
    return parser.parse(page)


def elements(page: str, name: str) -> list[ElementTree.Element]:
    return list(parsed(page).iter(NAMESPACE + name))


def plain_text(page: str) -> str:
    return re.sub(r"[ \n]+", " ", "".join(parsed(page).itertext()))


def test_page_parses_strictly_and_names_its_language(page: str) -> None:
    assert parsed(page).get("lang") == "en"


def test_no_id_stands_twice(page: str) -> None:
    ids = [item.get("id") for item in parsed(page).iter() if item.get("id")]
    assert len(ids) > 50
    assert len(ids) == len(set(ids))


def test_references_inside_the_page_lead_somewhere(page: str) -> None:
    ids = {item.get("id") for item in parsed(page).iter()}
    for item in parsed(page).iter():
        for name, value in item.attrib.items():
            if name.endswith("href") and value.startswith("#"):
                assert value[1:] in ids
    for target in re.findall(r"url\(#([^)]+)\)", page):
        assert target in ids


def test_page_loads_nothing_from_elsewhere(page: str) -> None:
    for item in parsed(page).iter():
        for name, value in item.attrib.items():
            if name.rsplit("}", 1)[-1] in {"src", "href", "data", "action"}:
                assert value.startswith("#")
        assert item.tag not in {NAMESPACE + "script", NAMESPACE + "link"}
    assert "@import" not in page
    assert not re.search(r"url\((?!#)", page)


def test_headings_go_down_in_order(page: str) -> None:
    levels = [
        int(item.tag[-1])
        for item in parsed(page).iter()
        if re.fullmatch(re.escape(NAMESPACE) + "h[1-6]", str(item.tag))
    ]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(later <= earlier + 1 for earlier, later in itertools.pairwise(levels))


def test_every_table_has_a_caption_and_scopes(page: str) -> None:
    tables = elements(page, "table")
    assert len(tables) > 10
    for item in tables:
        assert item.find(NAMESPACE + "caption") is not None
        assert all(head.get("scope") in {"col", "row"} for head in item.iter(NAMESPACE + "th"))
        for row in item.find(NAMESPACE + "tbody"):
            assert row[0].tag == NAMESPACE + "th"


def test_every_figure_has_words(page: str, document: Document) -> None:
    figures = elements(page, "figure")
    assert len(figures) == len(document.figures()) == 7
    for item, block in zip(figures, document.figures(), strict=True):
        box = item.find(NAMESPACE + "div")
        assert box.get("role") == "img"
        assert box.get("aria-label") == block.alt
        assert len(block.alt) > 40
        assert plain(item.find(NAMESPACE + "figcaption")) == (
            f"{block.label}. {hold_together(block.title)}. {hold_together(block.caption)}"
        )


def test_numbers_of_the_analysis_stand_on_the_page(
    page: str, analysis: Analysis, document: Document
) -> None:
    text = plain_text(page)
    rows = analysis.means
    grain = rows[(rows["measure"] == "yield") & (rows["treatment"] == "1")]["mean"].iloc[0]
    shown = next(table for table in document.tables() if table.key == "yield-4")
    assert write_number(float(grain), shown.columns[2].digits) in text
    f_values = analysis.responses["F"].dropna()
    assert all(write_number(value, 2) in text for value in f_values)
    assert "nan" not in text.casefold().split()


def test_the_same_input_gives_the_same_page(
    analysis: Analysis, document: Document, page: str
) -> None:
    again = compose(analysis, [type("S", (), {"text": item})() for item in _findings(document)])
    assert again == document
    assert render_html(again, draw_figures(analysis, again)) == page


def _findings(document: Document) -> tuple[str, ...]:
    section = next(section for section in document.sections if section.key == "findings")
    return section.blocks[0].items


def plain(element) -> str:
    return "".join(element.itertext())


def test_time_is_all_that_differs_between_runs(analysis: Analysis) -> None:
    pages = [
        render_html(compose(analysis, made=datetime(2025, 1, day, tzinfo=UTC)), {})
        for day in (1, 2)
    ]
    assert pages[0] != pages[1]
    assert pages[0].replace("2025-01-01 00:00 UTC", "2025-01-02 00:00 UTC") == pages[1]


def only(document: Document, key: str) -> Document:
    """Leave one block of a document."""
    blocks = [block for block in document.blocks() if getattr(block, "key", None) == key]
    return replace(document, sections=(Section(key="s", title="S", blocks=tuple(blocks)),))


HOSTILE = (
    '<script>alert("x")</script>',
    '"><img src=x onerror=alert(1)>',
    "=1+1",
    "../../x",
    "{{ 7 * 7 }}{% raw %}",
    "$\\frac{1}{0}$ \\",
    "\U0001f41e\u200d\u2603 \u0645\u0631\u062d\u0628\u0627",
    "a\x00b\x1b[31m\ud800c",
    "</style></svg>&amp;&lt;",
    'id="findings" url(#x)',
)


@pytest.mark.parametrize("text", HOSTILE)
def test_text_of_the_input_stays_text(text: str, renamed: Callable[[str], Analysis]) -> None:
    analysis = renamed(text)
    document = compose(analysis, [type("S", (), {"text": text})()])
    figure = document.figures()[0]
    page = render_html(document, draw_figures(analysis, only(document, figure.key)))
    tree = parsed(page)
    names = {str(item.tag).rsplit("}", 1)[-1] for item in tree.iter()}
    assert not names & {"script", "img", "iframe", "object"}
    assert not any(name.startswith("on") for item in tree.iter() for name in item.attrib)
    shown = re.sub(r"[\x00-\x08\x0b-\x1f\ud800-\udfff]", "", text)
    shown = shown.replace("\u200d", "")
    heading = "".join(next(tree.iter(NAMESPACE + "h1")).itertext()).replace("\u200d", "")
    assert heading == shown
    assert figure.alt.replace("\u200d", "").startswith(shown)


def test_hostile_labels_reach_the_drawing_as_text(renamed: Callable[[str], Analysis]) -> None:
    analysis = renamed("<b>$x^2$")
    document = compose(analysis)
    first = document.figures()[0]
    drawing = draw_figures(analysis, only(document, first.key))
    text = drawing[first.key]
    assert "&lt;b&gt;$x^2$" in text
    assert "<b>" not in text


def small_table(**changes: object) -> Table:
    table = Table(
        key="t",
        question="What?",
        columns=(
            Column(title="Treatment"),
            Column(title="Day 7", kind=Kind.NUMBER, digits=1),
            Column(title="letters", kind=Kind.LETTERS),
        ),
        rows=(("A", 1.25, "ab"), ("B", Missing("lost"), ""), ("C", Missing("lost"), None)),
    )
    return replace(table, **changes)


def test_letters_stand_in_the_cell_of_their_mean() -> None:
    page = page_table(small_table())
    assert [head.title for head in page.heads] == ["Treatment", "Day 7"]
    assert page.rows[0][1].text == "1.2"
    assert page.rows[0][1].letters == "ab"
    assert page.rows[1][1].letters == ""


def test_the_same_reason_is_noted_once() -> None:
    page = page_table(small_table())
    assert page.reasons == (("\u00b9", "lost"),)
    assert page.rows[1][1].note == page.rows[2][1].note == "\u00b9"
    assert page.rows[1][1].text == "\u2014"


@pytest.mark.parametrize(
    ("value", "name"),
    [
        (100.0, "held"),
        (80.0, "held"),
        (79.9, "near"),
        (60.0, "near"),
        (59.0, "half"),
        (40.0, "half"),
        (39.0, "some"),
        (20.0, "some"),
        (19.9, "little"),
        (0.0, "little"),
        (-0.1, "below"),
        (None, ""),
        ("x", ""),
        (Missing("y"), ""),
    ],
)
def test_shades_follow_the_target(value: object, name: str) -> None:
    assert shade(value, 80.0) == name


def test_text_reads_on_every_shade() -> None:
    style = (data_folder("templates") / "report.css").read_text(encoding="utf-8")
    ink = re.search(r"--ink: (#\w{6})", style).group(1)
    shades = re.findall(r"\.(?:held|near|half|some|below) \{ background: (#\w{6})", style)
    assert len(shades) == 5
    assert all(contrast(ink, colour) >= 4.5 for colour in shades)
    soft = re.search(r"--soft: (#\w{6})", style).group(1)
    assert all(contrast(soft, colour) >= 4.5 for colour in ["#ffffff"])


def test_a_figure_without_a_drawing_is_left_out(document: Document) -> None:
    assert elements(render_html(document, {}), "figure") == []


@pytest.mark.parametrize(
    ("text", "held"),
    [
        ("no difference (p = 0.003)", "no difference (p~=~0.003)"),
        ("p < 0.001, n = 4, F = 12.5", "p~<~0.001, n~=~4, F~=~12.5"),
        ("80 % (60 to 90) at 5 %.", "80~% (60 to 90) at 5~%."),
        ("Larvae, day 10, from day \N{MINUS SIGN}1", "Larvae, day~10, from day~\N{MINUS SIGN}1"),
        ("control, %", "control, %"),
        ("day by day, everyday 3", "day by day, everyday 3"),
        ("step = 3, 4 plots, a % sign", "step = 3, 4 plots, a % sign"),
    ],
)
def test_a_sign_and_its_number_hold_together(text: str, held: str) -> None:
    assert hold_together(text) == held.replace("~", "\N{NO-BREAK SPACE}")


def test_no_line_of_the_page_ends_between_a_sign_and_its_number(page: str) -> None:
    names = ("p", "li", "dd", "td", "th", "caption", "figcaption")
    texts = ["".join(item.itertext()) for name in names for item in elements(page, name)]
    assert any("p\N{NO-BREAK SPACE}" in text or "day\N{NO-BREAK SPACE}" in text for text in texts)
    assert not [text for text in texts if re.search(r"\d %|\bp [=<>] ?\d", text)]
