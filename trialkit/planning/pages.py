"""Pages for paper: the field map and the counting sheets."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from trialkit.figures.identity import plain_line
from trialkit.planning.blank_words import cautions
from trialkit.planning.field_map import map_svg
from trialkit.planning.plan import Planned
from trialkit.planning.visits import Asked, asked_counts, asked_yields, lines, place_columns, visits
from trialkit.resources import data_folder
from trialkit.trial import Trial


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One part of a page; each begins a sheet of paper but the first, and those that are joined.

    Attributes
    ----------
    title : str
    above : tuple of str
        Labels with room to write behind them.
    figure : str
        SVG of ours.
    headings, rows : tuple
        A table of texts.
    numbers, whole : frozenset of int
        Columns set to the right, and those whose cells stay on one line, from 0.
    notes : tuple of str
    sheet : bool
        Whether the table is to be written into, in large type.
    joined : bool
    """

    title: str = ""
    above: tuple[str, ...] = ()
    figure: str = ""
    headings: tuple[str, ...] = ()
    rows: tuple[tuple[str, ...], ...] = ()
    numbers: frozenset[int] = frozenset()
    whole: frozenset[int] = frozenset()
    notes: tuple[str, ...] = ()
    sheet: bool = False
    joined: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Page:
    """A page for paper: title, cautions where someone may spray by it, and its parts."""

    title: str
    subtitle: str = ""
    cautions: tuple[str, ...] = ()
    parts: tuple[Part, ...] = field(default_factory=tuple)


def render(template: str, content: Mapping[str, Any]) -> str:
    """Fill a shipped template; text is escaped, figures of ours are not."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    loader = FileSystemLoader(data_folder("templates"))
    made = Environment(
        loader=loader, autoescape=True, undefined=StrictUndefined, trim_blocks=True,
        lstrip_blocks=True,
    )  # fmt: skip
    return made.get_template(template).render(**content)


def page_html(page: Page) -> str:
    """Write a page as HTML that needs nothing else, ready for print."""
    from markupsafe import Markup

    parts = [
        {
            **{name: getattr(part, name) for name in Part.__dataclass_fields__},
            "figure": Markup(part.figure),  # noqa: S704 - made here, its texts escaped
        }
        for part in page.parts
    ]
    return render(
        "plan_page.html.j2",
        {
            "page": {
                "title": page.title,
                "subtitle": page.subtitle,
                "cautions": page.cautions,
                "parts": parts,
            }
        },
    )


def heading_of(trial: Trial) -> tuple[str, str]:
    """Title and subtitle of the pages of a trial."""
    parts = [plain_line(text) for text in (trial.site, trial.crop, trial.season) if text]
    return plain_line(trial.title), ", ".join(parts)


def map_page(planned: Planned) -> str:
    """Make the page of the field map, with the plots as a list in walking order."""
    trial = planned.trial
    title, subtitle = heading_of(trial)
    plots = planned.plots
    rows = tuple(
        tuple("" if value is None else plain_line(str(value)) for value in row)
        for row in plots.itertuples(index=False)
    )
    return page_html(
        Page(
            title=f"Field map: {title}",
            subtitle=subtitle,
            cautions=cautions(),
            parts=(
                Part(
                    figure=map_svg(trial),
                    notes=(
                        "Row 1 lies at the top. The broken line is the walk, in the order of the "
                        "plot numbers; it begins at the dot.",
                        planned.statement,
                        *(str(note) for note in planned.notes),
                    ),
                ),
                Part(title="Plots in walking order", headings=tuple(plots.columns), rows=rows),
            ),
        )
    )


def counting_pages(trial: Trial, *, show_treatments: bool = False) -> str:
    """Make paper sheets for counting: one an assessment, and one for the yield."""
    title, subtitle = heading_of(trial)
    parts = [
        _sheet(
            trial,
            f"Planned for {visit.words}",
            asked_counts(trial),
            show_treatments=show_treatments,
        )
        for visit in visits(trial)
    ]
    parts.append(_sheet(trial, "Yield", asked_yields(trial), samples=False))
    return page_html(Page(title=f"Counting sheets: {title}", subtitle=subtitle, parts=tuple(parts)))


def _sheet(
    trial: Trial,
    title: str,
    asked: Sequence[Asked],
    *,
    show_treatments: bool = False,
    samples: bool = True,
) -> Part:
    rows = lines(trial, samples=samples)
    ids = ["plot", *place_columns(trial), *(["treatment"] if show_treatments else [])]
    sampled = any(number is not None for _, number in rows)
    return Part(
        title=title,
        above=("Date:", "By:", "Growth stage:", "Notes:"),
        headings=(
            *ids,
            *(["sample"] if sampled else []),
            *(plain_line(item.hint) for item in asked),
            "notes",
        ),
        rows=tuple(
            (
                plot.id,
                *(plain_line(getattr(plot, name) or "") for name in ids[1:]),
                *([str(number)] if sampled else []),
                *([""] * (len(asked) + 1)),
            )
            for plot, number in rows
        ),
        sheet=True,
    )
