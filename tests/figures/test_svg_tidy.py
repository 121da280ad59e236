from __future__ import annotations

from trialkit.figures.svg import tidy

WHOLE = """<?xml version="1.0"?>
<!DOCTYPE svg PUBLIC "x" "http://www.w3.org/Graphics/SVG/1.1/DTD/svg11.dtd">
<svg width="576pt" height="324pt" viewBox="0 0 576 324" xmlns="http://www.w3.org/2000/svg">
 <metadata><date>today</date></metadata>
 <defs><style type="text/css">*{stroke-linejoin: round}</style><clipPath id="p1"/></defs>
 <g id="axes_1" clip-path="url(#p1)"><use xlink:href="#m1"/>
 <text style="font: bold 9px 'DejaVu Sans', sans-serif; fill: #444">id="p1" url(#p1) font: x</text>
 <text style="font-size: 9px; font-family: 'DejaVu Sans', serif; fill: #444444">b</text></g>
</svg>
"""


def test_head_metadata_and_style_are_gone() -> None:
    text = tidy(WHOLE)
    assert text.startswith("<svg ")
    assert text.endswith("</svg>")
    assert 'viewBox="0 0 576 324"' in text
    for part in ("<?xml", "DOCTYPE", "metadata", "<style", "576pt"):
        assert part not in text


def test_ids_and_references_get_the_prefix() -> None:
    text = tidy(WHOLE, "fig")
    assert 'id="fig-axes_1"' in text
    assert 'id="fig-p1"' in text
    assert 'clip-path="url(#fig-p1)"' in text
    assert 'xlink:href="#fig-m1"' in text


def test_text_between_tags_is_left_alone() -> None:
    assert '>id="p1" url(#p1) font: x<' in tidy(WHOLE, "fig")


def test_fonts_are_named_once_at_the_top() -> None:
    text = tidy(WHOLE)
    assert text.count("DejaVu Sans") == 1
    assert 'style="font-size: 9px; font-weight: bold; fill: #444"' in text
    assert 'style="font-size: 9px; fill: #444444"' in text
