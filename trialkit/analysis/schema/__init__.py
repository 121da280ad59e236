"""Every table of an Analysis and every column: name, kind, heading, unit, digits, meaning."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from trialkit.analysis.schema import claim_tables as shown
from trialkit.analysis.schema import efficacy_tables as efficacy
from trialkit.analysis.schema import question_tables as questions
from trialkit.analysis.schema import response_tables as responses
from trialkit.analysis.schema import supporting_tables as supporting
from trialkit.analysis.schema.columns import (
    DAYS_AFTER,
    UNITS,
    VARIABLE,
    Column,
    Kind,
    Table,
    number,
    text,
)
from trialkit.analysis.schema.series_tables import SERIES_TABLES

#: Every table by name, in the order of the record and the workbook.
TABLES: Mapping[str, Table] = MappingProxyType(
    {
        table.name: table
        for table in (
            # What the record has promised from its first format on.
            responses.ANOVA,
            responses.MEANS,
            responses.COMPARISONS,
            efficacy.CONTROL,
            efficacy.PEST_DAYS,
            efficacy.CONTROL_METHODS,
            efficacy.PERSISTENCE,
            # The fit of each response, and how well its assumptions held.
            supporting.COURSE,
            responses.RESPONSES,
            responses.CHOICES,
            supporting.DIAGNOSTICS,
            responses.CONTRASTS,
            responses.UNEQUAL_COMPARISONS,
            responses.FACTOR_MEANS,
            responses.FACTOR_COMPARISONS,
            responses.FACTOR_DIFFERENCES,
            supporting.COVARIATE,
            supporting.ADJUSTED_MEANS,
            responses.RECOVERED,
            responses.RECOVERED_TESTS,
            supporting.COURSE_TESTS,
            supporting.SAMPLES,
            supporting.COUNT_MODELS,
            supporting.COUNT_TESTS,
            supporting.STANDING,
            # The efficacy story.
            efficacy.REDUCTIONS,
            efficacy.DAYS_ABOVE,
            efficacy.NATURAL_ENEMIES,
            efficacy.RESURGENCE,
            questions.CARRIER,
            questions.MIXTURES,
            questions.MIXTURE_PERIODS,
            questions.RATES,
            questions.RATE_PERSISTENCE,
            questions.RATE_START,
            efficacy.PERSISTENCE_DIFFERENCES,
            supporting.NEIGHBOURS,
            questions.LOSS,
            questions.MONEY,
            questions.PROGRAMMES,
            shown.CLAIMS,
            shown.GLANCE,
            questions.TIMING,
            efficacy.BLOCK_CONTROL,
            responses.RESIDUALS,
        )
    }
)
#: Every table that there is, of one trial and of several.
ALL_TABLES: Mapping[str, Table] = MappingProxyType({**TABLES, **SERIES_TABLES})
#: What the columns of every table hold, in order.
COLUMNS: Mapping[str, Mapping[str, Kind]] = MappingProxyType(
    {
        name: MappingProxyType({column.name: column.kind for column in table.columns})
        for name, table in ALL_TABLES.items()
    }
)


__all__ = [
    "ALL_TABLES",
    "COLUMNS",
    "DAYS_AFTER",
    "SERIES_TABLES",
    "TABLES",
    "UNITS",
    "VARIABLE",
    "Column",
    "Kind",
    "Table",
    "number",
    "text",
]
