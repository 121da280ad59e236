"""Analysis to Document: which questions are answered, and in which order."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Protocol

from trialkit.figures.identity import plain_line
from trialkit.report.context import Context
from trialkit.report.document import Block, Document, Section
from trialkit.report.parts import (
    beside,
    closing,
    control,
    effects,
    enemies,
    factors,
    field,
    means,
    methods,
    period,
    persistence,
    persistence_differences,
    pest,
    products,
    rate_start,
    reach,
    returns,
    shares,
    spread,
    supporting,
    trust,
)
from trialkit.report_options import ReportOptions
from trialkit.rows import Tables

if TYPE_CHECKING:
    from trialkit.analysis import Analysis

Compose = Callable[[Context], Iterator[Block]]


class Sentence(Protocol):
    """A finding: anything with a text."""

    @property
    def text(self) -> str:
        """The sentence."""
        ...


@dataclass(frozen=True, slots=True)
class Part:
    """A section of the report: its anchor, its heading, and the functions that fill it."""

    key: str
    title: str
    fill: tuple[Compose, ...]


#: The report in reading order. A further table or figure is one function more in a part; a part
#: whose functions yield nothing does not appear.
OUTLINE: tuple[Part, ...] = (
    Part("shows", "What the trial shows", (closing.findings,)),
    Part("course", "How the pest developed", (pest.course_of_pest,)),
    Part(
        "control",
        "How much control, and for how long",
        (
            control.control_by_day,
            persistence.persistence,
            persistence_differences.persistence_differences,
        ),
    ),
    Part("pest-days", "How much pest over the whole time", (period.pest_days,)),
    Part(
        "products",
        "Rates, mixtures, carrier and modes of action",
        (
            products.rates,
            rate_start.rate_start,
            products.mixtures,
            products.carrier,
            products.programmes,
        ),
    ),
    Part(
        "enemies",
        "Natural enemies",
        (enemies.course_of_enemies, enemies.natural_enemies, enemies.resurgence),
    ),
    Part("damage", "Damage", (effects.course_of_damage, effects.damage)),
    Part("injury", "Injury to the crop", (effects.crop_injury,)),
    Part("yield", "Yield", (effects.yields, returns.loss)),
    Part("returns", "Returns", (returns.money,)),
    Part("neighbours", "Neighbouring plots and edges", (spread.neighbours,)),
    Part("means", "Means on every day", (means.all_means,)),
    Part(
        "tests",
        "Tests of treatments",
        (
            means.fits,
            factors.factor_tests,
            factors.factor_means,
            factors.factor_differences,
            supporting.courses,
            supporting.planned,
            supporting.adjusted,
            supporting.recovered,
        ),
    ),
    Part(
        "trust",
        "How far the analysis can be trusted",
        (
            trust.doubts,
            trust.scatter,
            trust.checks,
            beside.beside,
            shares.shares,
            reach.reach,
            reach.samples,
        ),
    ),
    Part("done", "How the trial was done", (methods.how_done, field.applications)),
    Part("analysed", "How it was analysed", (methods.how_analysed, supporting.how_supported)),
    Part("field", "The field", (field.field_map, spread.residual_maps)),
    Part("plots", "Data of the plots", (field.plot_data,)),
    Part("warnings", "Warnings", (closing.warnings,)),
    Part("cautions", "Cautions", (closing.cautions,)),
    Part("references", "Sources of the formulas", (closing.references,)),
    Part("again", "How to run it again", (closing.run_again,)),
)


#: What fills a page alone, with text, figures and maps: a workbook shows nothing of it.
PAGE_ONLY: frozenset[Compose] = frozenset(
    {
        pest.course_of_pest,
        enemies.course_of_enemies,
        enemies.resurgence,
        effects.course_of_damage,
        effects.crop_injury,
        trust.doubts,
        trust.scatter,
        methods.how_analysed,
        supporting.how_supported,
        field.field_map,
        spread.residual_maps,
        products.programmes,
        closing.cautions,
        closing.references,
    }
)


def compose(
    analysis: Analysis,
    findings: Sequence[Sentence] = (),
    *,
    made: datetime | None = None,
    options: ReportOptions | None = None,
    tables: Tables | None = None,
) -> Document:
    """Put an analysis into words and tables.

    Parameters
    ----------
    analysis : Analysis
    findings : sequence
        What the trial shows, the weightiest first; anything with a ``text``.
    made : datetime, optional
        When the report was made. Without it the document carries no time, and depends on the
        analysis alone.
    options : ReportOptions, optional
        What the document is for: where no format shows pages it holds nothing but tables.
    tables : Tables, optional
        The tables of the analysis as rows, where they are at hand.

    Returns
    -------
    Document
    """
    context = Context(
        analysis=analysis,
        tables=tables or Tables(analysis),
        findings=tuple(plain_line(item.text) for item in findings),
        made=made.strftime("%Y-%m-%d %H:%M %Z").strip() if made is not None else "",
    )
    trial = analysis.trial
    place = (plain_line(part) for part in (trial.site, trial.season) if part)
    left_out = PAGE_ONLY if options is not None and not options.drawn else frozenset()
    return Document(
        title=plain_line(trial.title),
        subtitle=", ".join(place),
        facts=methods.trial_facts(context),
        sections=tuple(_sections(context, left_out)),
        made=context.made,
    )


def _sections(context: Context, left_out: Collection[Compose]) -> Iterator[Section]:
    for part in OUTLINE:
        fills = (fill for fill in part.fill if fill not in left_out)
        blocks = tuple(block for fill in fills for block in fill(context))
        if blocks:
            yield Section(key=part.key, title=part.title, blocks=blocks)
