"""Words of headings in the languages of offices, as patterns: days, weeks, replicates."""

from __future__ import annotations

from typing import Final


def _any(*words: str) -> str:
    return f"(?:{'|'.join(words)})"


#: What was done to the plots.
PUT_OUT_ABROAD: Final = _any(
    "behandlung", "applikation", "anwendung", "spritzung", "traitement", "application",
    "tratamiento", "aplicaci[oó]n", "tratamento", "aplica[cç][aã]o", "trattamento", "applicazione",
    "behandeling", "toepassing", "zabiegu", "oprysku", "o[sš]et[rř]en[ií]", "post[rř]iku",
    "aplik[aá]c[ei]i?", "aplik[aá]ci[ií]", "behandling", "besprutning", "spr[oø]jtning",
    "spr[oø]yting", "kezel[eé]s",
    "tratament(?:ului)?", "uygulama(?:dan)?", "ila[cç]lama(?:dan)?",
    "k[aä]sittely(?:st[aä]|n|[aä])?",
)  # fmt: skip
DAYS_ABROAD: Final = _any(
    "tage?", "jours?", "d[ií]as?", "giorn[io]", "gg", "dagen", "dagar", "dage[rn]?", "dni",
    "dn[ůíu]", "dzie[nń]", "nap(?:pal)?", "zile", "g[uü]n", "p[aä]iv[aä]{1,2}", "pv",
)  # fmt: skip
WEEKS_ABROAD: Final = _any(
    "wochen?", "semaines?", "semanas?", "settiman[ae]", "weken", "veckor", "uker", "uger",
    "tygodni[ae]?", "t[yý]dn[yů]",
)  # fmt: skip
#: Words that say before; all others of a language say after.
BEFORE_ABROAD: Final = (
    "vor", "avant", "antes", "prima", "voor", "przed", "před", "pred", "före", "før", "előtt",
    "înainte", "inainte", "önce", "ennen",
)  # fmt: skip
AFTER_ABROAD: Final = _any(
    "nach", "apr[eè]s", "despu[eé]s", "dopo", "dall[ao']", "ap[oó]s", "na", "po", "efter", "etter",
    "ut[aá]n", "dup[aă]", "sonra", "j[aä]lkeen",
)  # fmt: skip
#: The short forms of the trade: T.n.A., JAT, DDA, GDT, DNB, DPZ, DPO, and D.A.T. with its points.
SHORT_ABROAD: Final = _any(
    r"t\.?\s?n\.?\s?(?:[ab]|beh|appl?|anw)\.?",
    "jat",
    r"d\.?d\.?[at]\.?",
    "gdt",
    "dnb",
    "dpz",
    "dpo",
    r"d\.\s?p\.\s?[at]\.?",
    r"d\.\s?a\.\s?[at]\.?",
)
#: Words that stand before the number of a day.
LEADING: Final = _any(
    "day", "dat", "daa", "dbt", "dba", "(?P<p>dap|das|dae)", "hat", "tag", "jour", "d[ií]a",
    "giorno", "dag", "dzie[nń]", "dni", r"t\.?n\.?[ab]\.?", "jat", "dda",
)  # fmt: skip
#: Words before the number of a replicate or block.
REPLICATES: Final = _any(
    "replicate", "replication", "rep", "block", "blk", "bl", "wdh", "wdhlg", "wiederholung", "bloc",
    "bloque", "bloco", "blocco", "blok", "r[eé]p[eé]tition", "r[eé]p", "repetici[oó]n",
    "repeti[cç][aã]o", "ripetizione", "herhaling", "powt[oó]rzenie", "powt", "opakov[aá]n[ií]",
    "opak", "gjentak", "gentagelse", "upprepning", "kerranne", "ism[eé]tl[eé]s",
)  # fmt: skip
_ARTICLES = "(?:[ _](?:de[lr]?|du|la|el|il|d[oai]|le|l'))*"
_END = r"(?![^\W\d_])"
#: Days or weeks, and perhaps after or before what.
COUNTED_ABROAD: Final = (
    rf"(?:{DAYS_ABROAD}|(?P<weeks>{WEEKS_ABROAD})){_END}"
    rf"(?:[ _]*(?P<w>{AFTER_ABROAD}|{_any(*BEFORE_ABROAD)}){_END}"
    rf"{_ARTICLES}(?:[ _]*{PUT_OUT_ABROAD}{_END})?"
    # Hungarian, Finnish and Turkish say so behind: "7 nappal kezelés után"
    rf"|[ _]+{PUT_OUT_ABROAD}{_END}(?:[ _]+(?P<w2>{AFTER_ABROAD}|{_any(*BEFORE_ABROAD)}){_END})?)?"
    rf"|{SHORT_ABROAD}{_END}"
)
#: What was done, and perhaps before or after, left in front of the days: "kezelés előtt 3 nappal".
PUT_OUT_FIRST: Final = (
    rf"[\s_]+{PUT_OUT_ABROAD}{_END}[\s_]+(?P<w>{AFTER_ABROAD}|{_any(*BEFORE_ABROAD)}){_END}"
    r"|[\s_]+(?:uygulama|ila[cç]lama)dan"
    rf"|[\s_]+(?P<w2>{_any(*BEFORE_ABROAD)}){_END}[\s_]+{PUT_OUT_ABROAD}{_END}"
)
