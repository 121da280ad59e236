"""Rules of accessible pages (WCAG 2.2, level AA) that a machine can hold a page to."""

from __future__ import annotations

import re
from functools import cache
from xml.etree import ElementTree

import html5lib
import pytest

from shipped import analysed
from trialkit.figures.identity import contrast
from trialkit.findings import make_findings
from trialkit.report import compose
from trialkit.report.html import render_html
from trialkit.resources import data_folder

XHTML = "{http://www.w3.org/1999/xhtml}"
SVG = "{http://www.w3.org/2000/svg}"
EXAMPLES = ("leaf_beetle_potato", "spider_mite_glasshouse", "fruit_moth_plum")
#: Least contrast of text, and of what is no text but must be seen (success criteria 1.4.3, 1.4.11).
TEXT, SIGN = 4.5, 3.0
SHADES = ("held", "near", "half", "some", "below", "harm-2", "harm-3", "harm-4")


@cache
def page(name: str) -> ElementTree.Element:
    analysis = analysed(name)
    document = compose(analysis, make_findings(analysis))
    drawn = {figure.key: "<svg></svg>" for figure in document.figures()}
    parser = html5lib.HTMLParser(tree=html5lib.getTreeBuilder("etree"), strict=True)
    return parser.parse(render_html(document, drawn))


def named(item: ElementTree.Element, root: ElementTree.Element) -> str:
    """The accessible name of an element, as far as this page gives names."""
    if label := item.get("aria-label"):
        return label
    if key := item.get("aria-labelledby"):
        found = [other for other in root.iter() if other.get("id") == key]
        assert len(found) == 1, f"{key} labels nothing"
        return "".join(found[0].itertext())
    return "".join(item.itertext())


@pytest.mark.parametrize("name", EXAMPLES)
def test_landmarks_title_and_language(name: str) -> None:
    root = page(name)
    assert root.get("lang")
    assert "".join(next(root.iter(XHTML + "title")).itertext()).strip()
    for landmark in ("main", "header", "nav"):
        assert len(list(root.iter(XHTML + landmark))) == 1
    first = next(item for item in root.iter(XHTML + "a"))
    assert first.get("href") == "#report"


@pytest.mark.parametrize("name", EXAMPLES)
def test_all_that_takes_the_focus_or_groups_has_a_name(name: str) -> None:
    root = page(name)
    grouped = [
        item
        for item in root.iter()
        if item.get("tabindex") or item.get("role") or item.tag in {XHTML + "nav", XHTML + "a"}
    ]
    assert len(grouped) > 20
    for item in grouped:
        assert len(named(item, root).strip()) > 1, ElementTree.tostring(item)[:200]
    sections = [item for item in root.iter(XHTML + "section") if item.get("aria-labelledby")]
    assert all(named(item, root).strip() for item in sections)


@pytest.mark.parametrize("name", EXAMPLES)
def test_every_picture_tells_what_it_shows(name: str) -> None:
    root = page(name)
    parents = {child: parent for parent in root.iter() for child in parent}
    small = [item for item in root.iter(SVG + "svg") if item.get("role") == "img"]
    for item in root.iter(SVG + "svg"):
        holder = parents[item]
        told = item.get("aria-label") or holder.get("aria-label")
        hidden = item.get("aria-hidden") == "true"
        assert hidden or (told and len(told) > 20), ElementTree.tostring(item)[:200]
    assert small or name != "leaf_beetle_potato"


@pytest.mark.parametrize("name", EXAMPLES)
def test_every_cell_of_a_table_has_its_headings(name: str) -> None:
    for table in page(name).iter(XHTML + "table"):
        heads = list(table.find(XHTML + "thead").iter(XHTML + "th"))
        assert all(head.get("scope") == "col" for head in heads)
        assert all("".join(head.itertext()).strip() for head in heads)
        for row in table.find(XHTML + "tbody"):
            assert len(row) == len(heads)
            assert row[0].get("scope") == "row"


def _variables(block: str) -> dict[str, str]:
    found = dict(re.findall(r"--([\w-]+): (#[0-9a-f]{3,6})", block))
    return {
        name: "#" + "".join(2 * mark for mark in colour[1:]) if len(colour) == 4 else colour
        for name, colour in found.items()
    }


@cache
def _styles() -> tuple[str, dict[str, str], dict[str, str]]:
    text = (data_folder("templates") / "report.css").read_text(encoding="utf-8")
    light = _variables(re.search(r"^:root \{(.*?)\}", text, re.DOTALL)[1])
    dark = _variables(re.search(r"dark\) \{\s*:root \{(.*?)\}", text, re.DOTALL)[1])
    return text, light, light | dark


@pytest.mark.parametrize("mode", ["light", "dark"])
def test_text_reads_on_its_paper_by_day_and_by_night(mode: str) -> None:
    _, light, dark = _styles()
    colours = light if mode == "light" else dark
    for ink in ("ink", "soft", "line", "faded", "warm"):
        assert contrast(colours[ink], colours["paper"]) >= TEXT, ink
    assert contrast(colours["ink"], colours["code"]) >= TEXT
    assert contrast(colours["line"], colours["paper"]) >= SIGN


def test_shaded_cells_keep_dark_ink_in_both_modes() -> None:
    text, _, _ = _styles()
    rule = re.search(r":is\(\.held[^{]*\{ color: (#[0-9a-f]+); \}", text)
    for shade in SHADES:
        assert f".{shade}" in rule[0]
        colour = re.search(rf"\.{shade} \{{ background: (#[0-9a-f]{{6}})", text)[1]
        assert contrast(rule[1], colour) >= TEXT, shade
