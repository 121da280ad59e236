"""Procedures that compare means, by name."""

from __future__ import annotations

from enum import StrEnum


class Method(StrEnum):
    """Procedure that compares treatment means."""

    TUKEY = "tukey"
    LSD = "lsd"
    DUNNETT = "dunnett"
    SNK = "snk"
    DUNCAN = "duncan"
    BONFERRONI = "bonferroni"
    SIDAK = "sidak"
    HOLM = "holm"
    FDR = "fdr"
    SCHEFFE = "scheffe"
    NONE = "none"
