"""Names of months, as offices write them in several languages."""

from __future__ import annotations

import unicodedata
from collections.abc import Mapping
from typing import Final

from trialkit.plain_text import alternatives

_NAMES: Final = (
    "jan january januar janvier enero gennaio janeiro januari ene janv jän jänner",
    "feb february februar février fevrier febrero febbraio fevereiro februari fév fev févr fevr",
    "mar march märz maerz mars marzo março marco maart mrt mär mrz",
    "apr april avril abril aprile avr abr",
    "may mai mayo maggio maio mei",
    "jun june juni juin junio giugno junho giu",
    "jul july juli juillet julio luglio julho juil lug",
    "aug august août aout agosto augustus ago aoû",
    "sep september sept septembre septiembre settembre setembro",
    "oct october oktober octobre octubre ottobre outubro okt ott",
    "nov november novembre noviembre novembro",
    "dec december dezember décembre decembre diciembre dicembre dezembro dez déc dic",
)


def _plain(word: str) -> str:
    """Small letters without accents."""
    return "".join(
        sign for sign in unicodedata.normalize("NFKD", word.casefold()) if sign.isalpha()
    )


#: Number of a month by its name or the short of it, in small letters without accents.
MONTHS: Final[Mapping[str, int]] = {
    _plain(name): number for number, names in enumerate(_NAMES, 1) for name in names.split()
}
_WORDS = {word for names in _NAMES for word in names.split()} | set(MONTHS)
#: A pattern of any of these names, to be matched without regard to case.
MONTH: Final = rf"(?:{alternatives(_WORDS)})(?![^\W\d_])"


def month_number(word: str) -> int | None:
    """Number of the month that a word names; None where it names none.

    Examples
    --------
    >>> month_number("Juin"), month_number("Sept."), month_number("mean")
    (6, 9, None)
    """
    return MONTHS.get(_plain(word))
