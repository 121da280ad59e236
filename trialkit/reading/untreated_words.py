"""Words for the untreated, in the languages of offices."""

from __future__ import annotations

from typing import Final

from trialkit.reading.headers import normal

#: The plainer the word, the earlier it is believed.
UNTREATED: Final = (
    ("untreated", "utc", "untreatedcheck", "untreatedcontrol", "nontreated", "unsprayed",
     "nottreated", "notreatment", "nontreatedcontrol", "nontreatedcheck", "uncontrolled",
     "unsprayedcontrol", "untreatedplot", "untreatedplots", "untr", "unt", "unbehandelt",
     "unbehandeltekontrolle", "nontraité", "nontraite", "témoinnontraité", "temoinnontraite",
     "sintratar", "sintratamiento", "testigosintratar", "testigoabsoluto", "nontrattato",
     "testimonenontrattato", "semtratamento", "testemunhasemaplicação", "onbehandeld",
     "nietraktowane", "nietraktowana", "kontrolanietraktowana", "neošetřeno", "neošetřená",
     "neošetrené", "neošetrená", "kezeletlen", "kezeletlenkontroll", "obehandlat", "obehandlad",
     "obehandlet", "ubehandlet", "käsittelemätön", "netratat", "martornetratat", "ilaçsız"),
    ("check", "controlplot", "nil", "controluntreated", "checkuntreated", "testigo", "témoin",
     "temoin", "testemunha", "testimone", "martor", "şahit"),
    ("control", "none", "blank", "kontrolle", "contrôle", "controle", "controllo", "kontrola",
     "kontroll", "kontrol", "kontrolli", "verranne"),
)  # fmt: skip


def is_untreated_word(text: str) -> bool:
    """Whether a heading or name is one of the words for the untreated.

    Examples
    --------
    >>> is_untreated_word("Untreated check"), is_untreated_word("Wimbrel")
    (True, False)
    """
    return any(normal(text) in words for words in UNTREATED)
