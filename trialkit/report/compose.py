"""Analysis to Document: which questions are answered, and in which order."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import TYPE_CHECKING, Protocol

from trialkit.figures.identity import plain_line
from trialkit.record.digest import short
from trialkit.report.context import Context
from trialkit.report.document import Block, Document, FigureBlock, Section, Table, Where
from trialkit.report.number_style import restyled, words_of_trial
from trialkit.report.parts import (
    adjusted_means,
    closing,
    completeness,
    control,
    count_models,
    crop_and_yield,
    detectable,
    enemies,
    factors,
    field,
    front,
    how_analysed,
    kept_facts,
    means,
    methods,
    neighbours,
    one_table,
    own_text,
    period,
    persistence,
    persistence_differences,
    pest,
    products,
    rate_start,
    returns,
    shares,
    supporting,
    trust,
    variance,
)
from trialkit.report_choices import PARTS, NumberStyle, ReportChoices, choosable, report_choices
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
    """A section of the report.

    Attributes
    ----------
    key : str
        Its anchor, and the word that chooses it.
    fill : tuple of callable
        What fills it.
    where : Where
    beside : tuple of callable
        What the workbook alone shows, on the sheet of this part.
    """

    key: str
    fill: tuple[Compose, ...]
    where: Where = Where.MAIN
    beside: tuple[Compose, ...] = ()

    @property
    def title(self) -> str:
        """Its heading."""
        return PARTS[self.key]


#: The report in reading order. A further table or figure is one function more in a part; a part
#: whose functions yield nothing does not appear.
OUTLINE: tuple[Part, ...] = (
    Part(
        "treatments",
        (
            own_text.own("objective"),
            methods.how_done,
            field.applications,
            kept_facts.doses,
            kept_facts.events,
            closing.how_to_read,
        ),
        beside=(methods.assessments_table,),
    ),
    Part("course", (pest.course_of_pest, means.pest_means, adjusted_means.adjusted_answer)),
    Part(
        "control",
        (control.control_by_day, persistence.persistence),
        beside=(persistence_differences.persistence_differences,),
    ),
    Part("pest-days", (period.pest_days,)),
    Part(
        "enemies",
        (enemies.course_of_enemies, enemies.enemy_reductions, enemies.resurgence),
        beside=(enemies.pests_per_enemy, means.enemy_means),
    ),
    Part(
        "damage",
        (
            crop_and_yield.course_of_damage,
            crop_and_yield.damage,
            crop_and_yield.crop_injury,
            means.crop_means,
        ),
        beside=(period.damage_areas, means.damage_means),
    ),
    Part("yield", (crop_and_yield.yields, returns.money), beside=(returns.loss,)),
    Part(
        "products",
        (products.rates, products.mixtures, products.programmes),
        beside=(products.carrier, rate_start.rate_start),
    ),
    Part(
        "factors",
        (factors.factor_tests, factors.factor_means),
        beside=(factors.factor_differences,),
    ),
    Part(
        "neighbours",
        (neighbours.neighbours,),
        beside=(neighbours.neighbours_beside,),
    ),
    Part("discussion", (own_text.own("discussion"),)),
    Part("conclusion", (own_text.own("conclusion"),)),
    Part(
        "reliability",
        (trust.doubts, trust.standing),
        beside=(
            trust.checks,
            trust.other_paths,
            count_models.beside,
            shares.shares,
            supporting.courses,
            supporting.planned,
            supporting.adjusted,
            adjusted_means.adjusted_beside,
            supporting.recovered,
            detectable.reach,
            detectable.samples,
        ),
    ),
    Part(
        "methods",
        (own_text.own("methods"), how_analysed.how_analysed, supporting.how_supported),
    ),
    Part(
        "notes",
        (closing.warnings,),
        beside=(closing.warnings_table, completeness.completeness),
    ),
    Part("cautions", (closing.cautions,)),
    Part("sign-off", (own_text.signed,)),
    Part("references", (closing.references,)),
    Part("findings", (closing.findings,), Where.ANNEX),
    Part("choices", (how_analysed.how_chosen,), Where.ANNEX),
    Part("variance", (variance.analyses_of_variance,), Where.ANNEX, beside=(variance.fits,)),
    Part("residuals", (trust.scatter,), Where.ANNEX),
    Part("map", (field.field_map, field.field_days, neighbours.residual_maps), Where.ANNEX),
    Part(
        "assessments",
        (kept_facts.assessment_facts, kept_facts.weather),
        Where.ANNEX,
    ),
    Part(
        "plots",
        (field.plot_data, closing.input_files),
        Where.ANNEX,
        beside=(field.plot_data_beside,),
    ),
    Part("again", (closing.run_again,), Where.ANNEX),
)


#: What fills a page alone, with text, figures and maps: a workbook shows nothing of it.
PAGE_ONLY: frozenset[Compose] = frozenset(
    {
        closing.how_to_read,
        kept_facts.events,
        own_text.signed,
        pest.course_of_pest,
        enemies.course_of_enemies,
        enemies.resurgence,
        crop_and_yield.course_of_damage,
        crop_and_yield.crop_injury,
        trust.doubts,
        trust.standing,
        trust.scatter,
        how_analysed.how_analysed,
        how_analysed.how_chosen,
        supporting.how_supported,
        field.field_map,
        field.field_days,
        neighbours.residual_maps,
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
    digest: str = "",
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
    digest : str
        That of the record, for the foot of each page.

    Returns
    -------
    Document
    """
    options = options or ReportOptions()
    choices = report_choices(analysis.trial.report, choosable(analysis.trial))
    lines = chosen_lines(findings, choices)
    context = Context(
        analysis=analysis,
        tables=(tables or Tables(analysis)).only(choices.variables),
        findings=tuple(text for text, _ in lines),
        made=written_time(made),
        front=tuple(text for text, on_front in lines if on_front),
        choices=choices,
    )
    document = Document(
        title=plain_line(analysis.trial.title),
        subtitle=front.subtitle(context),
        design=front.design(context),
        facts=methods.trial_facts(context),
        front=front.front_page(context) if options.form != "table" else (),
        sections=tuple(_sections(context, options)),
        made=context.made,
    )
    return finished(document, digest, words_of_trial(analysis.trial), choices.numbers)


def finished(document: Document, digest: str, own: Iterable[str], style: NumberStyle) -> Document:
    """Number what a document prints, write its foot, and its numbers in the style asked for.

    Parameters
    ----------
    document : Document
    digest : str
        That of the record.
    own : iterable of str
        Names and texts of the user's own, which are left as they are.
    style : NumberStyle
    """
    foot = _foot(document.title, document.made, digest)
    document = replace(document, sections=_numbered(document.sections), foot=foot)
    return restyled(document, own, style)


def chosen_lines(findings: Iterable[Sentence], choices: ReportChoices) -> list[tuple[str, bool]]:
    """Sentences on the variables that a report shows, or on none, and whether page 1 has them."""
    return [
        (plain_line(item.text), bool(getattr(item, "front", False)))
        for item in findings
        if not choices.variables or getattr(item, "variable", None) in (None, *choices.variables)
    ]


def written_time(made: datetime | None) -> str:
    """Write when a report was made; empty where it carries no time."""
    return "" if made is None else made.strftime("%Y-%m-%d %H:%M %Z").strip()


def _foot(title: str, made: str, digest: str) -> str:
    """What stands at the foot of each printed page: by the digest paper and record match."""
    parts = (
        title,
        f"made {made}" if made else "",
        f"record {short(digest)}" if digest else "",
    )
    return " \N{MIDDLE DOT} ".join(part for part in parts if part)


def _numbered(sections: Iterable[Section]) -> tuple[Section, ...]:
    """Number the tables and figures that are printed, each kind on its own."""
    counts = {"Table": 0, "Figure": 0}

    def number(block: Block) -> Block:
        if not isinstance(block, Table | FigureBlock):
            return block
        kind = "Table" if isinstance(block, Table) else "Figure"
        counts[kind] += 1
        return replace(block, label=f"{kind} {counts[kind]}")

    return tuple(
        section
        if section.where is Where.BOOK
        else replace(section, blocks=tuple(number(block) for block in section.blocks))
        for section in sections
    )


def _wanted(part: Part, options: ReportOptions) -> bool:
    if options.form != "report":
        return False
    return options.length == "full" or part.where is not Where.ANNEX


def _in_order(choices: ReportChoices) -> list[Part]:
    """Parts as the trial wants them; the annex stays behind the report."""
    by_key = {part.key: part for part in OUTLINE}
    wanted = [by_key[key] for key in choices.order()]
    return sorted(wanted, key=lambda part: list(Where).index(part.where))


def _sections(context: Context, options: ReportOptions) -> Iterator[Section]:
    left_out = frozenset() if options.drawn else PAGE_ONLY
    if options.form == "table":
        yield Section(key="table", title="Results", blocks=tuple(one_table.one_table(context)))
    for part in _in_order(context.choices):
        if not _wanted(part, options):
            continue
        fills = tuple(fill for fill in part.fill if fill not in left_out)
        for where, chosen in ((part.where, fills), (Where.BOOK, part.beside)):
            blocks = tuple(block for fill in chosen for block in fill(context))
            if blocks:
                key = f"{part.key}-beside" if where is Where.BOOK else part.key
                yield Section(key=key, title=part.title, blocks=blocks, where=where)
