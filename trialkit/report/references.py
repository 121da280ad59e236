"""Where the formulas come from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType


@dataclass(frozen=True, slots=True)
class Reference:
    """One publication.

    Attributes
    ----------
    text : str
    seen : bool
        Whether the details were checked against a copy; otherwise they are from memory.
    """

    text: str
    seen: bool = False


#: By the name under which the tables speak of a method. Details marked as seen were checked in the
#: publication or in texts that quote it; all others are from memory.
REFERENCES: Mapping[str, Reference] = MappingProxyType(
    {
        "abbott": Reference(
            "Abbott WS (1925). Journal of Economic Entomology 18, 265-267. Percent control.",
            seen=True,
        ),
        "schneider-orelli": Reference(
            "Schneider-Orelli O (1947). Entomologisches Praktikum, 2nd ed. Sauerl\u00e4nder, "
            "Aarau. Percent control from mortality.",
            seen=True,
        ),
        "henderson-tilton": Reference(
            "Henderson CF & Tilton EW (1955). Journal of Economic Entomology 48, 157-161. Percent "
            "control with counts before treatment.",
            seen=True,
        ),
        "sun-shepard": Reference(
            "Sun YP & Shepard HH (1947). Journal of Economic Entomology 40, 710-715. Percent "
            "control where the untreated population changes.",
            seen=True,
        ),
        "colby": Reference(
            "Colby SR (1967). Weeds 15, 20-22. Control expected of a mixture.",
            seen=True,
        ),
        "iobc": Reference(
            "International Organisation for Biological Control (IOBC). Classes of harm to natural "
            "enemies in field trials; public pages differ in their names and edges.",
            seen=True,
        ),
        "inversion": Reference(
            "Gil-Pelaez J (1951). Biometrika 38, 481-482. Distributions from their characteristic "
            "functions.",
            seen=True,
        ),
        "pest-days": Reference(
            "Ruppel RF (1983). Journal of Economic Entomology 76, 375-377. Insect-days."
        ),
        "disease-area": Reference(
            "Shaner G & Finney RE (1977). Phytopathology 67, 1051-1056. Area under the disease "
            "progress curve.",
            seen=True,
        ),
        "taylor": Reference(
            "Taylor LR (1961). Nature 189, 732-735. Variance and mean of counts.", seen=True
        ),
        "lsd": Reference(
            "Fisher RA (1935). The Design of Experiments. Oliver & Boyd. Least significant "
            "difference.",
            seen=True,
        ),
        "tukey": Reference(
            "Kramer CY (1956). Biometrics 12, 307-310. Tukey's procedure with unequal numbers.",
            seen=True,
        ),
        "snk": Reference(
            "Keuls M (1952). Euphytica 1, 112-122. Studentized ranges, step by step.", seen=True
        ),
        "duncan": Reference(
            "Duncan DB (1955). Biometrics 11, 1-42. Multiple range tests.", seen=True
        ),
        "dunnett": Reference(
            "Dunnett CW (1955). Journal of the American Statistical Association 50, 1096-1121. "
            "Comparison with a control.",
            seen=True,
        ),
        "scheffe": Reference("Scheff\u00e9 H (1953). Biometrika 40, 87. All contrasts.", seen=True),
        "sidak": Reference(
            "Sidak Z (1967). Journal of the American Statistical Association 62, 626-633.",
            seen=True,
        ),
        "holm": Reference("Holm S (1979). Scandinavian Journal of Statistics 6, 65-70.", seen=True),
        "fdr": Reference(
            "Benjamini Y & Hochberg Y (1995). Journal of the Royal Statistical Society B 57, "
            "289-300. False discovery rate.",
            seen=True,
        ),
        "additivity": Reference(
            "Tukey JW (1949). Biometrics 5, 232-242. One degree of freedom for non-additivity.",
            seen=True,
        ),
        "scatter": Reference(
            "Brown MB & Forsythe AB (1974). Journal of the American Statistical Association 69, "
            "364-367. Equal variances.",
            seen=True,
        ),
        "normality": Reference(
            "Shapiro SS & Wilk MB (1965). Biometrika 52, 591-611. Test of normality.", seen=True
        ),
        "box-cox": Reference(
            "Box GEP & Cox DR (1964). Journal of the Royal Statistical Society B 26, 211-252. "
            "Choice of a power.",
            seen=True,
        ),
        "covariance": Reference(
            "Cochran WG (1957). Biometrics 13, 261-281. Covariance analysis.", seen=True
        ),
        "greenhouse-geisser": Reference(
            "Greenhouse SW & Geisser S (1959). Psychometrika 24, 95-112. Degrees of freedom over "
            "days.",
            seen=True,
        ),
        "count-strata": Reference(
            "Firth D & Harris IR (1991). Biometrika 78, 545-555. Multiplicative random effects."
        ),
        "kenward-roger": Reference(
            "Kenward MG & Roger JH (1997). Biometrics 53, 983-997. Degrees of freedom under REML.",
            seen=True,
        ),
        "recovered": Reference(
            "Patterson HD & Thompson R (1971). Biometrika 58, 545-554. Recovery of the information "
            "between blocks.",
            seen=True,
        ),
        "beta-binomial": Reference(
            "Williams DA (1982). Applied Statistics 31, 144-148. Shares with more variance than "
            "chance.",
            seen=True,
        ),
        "empirical-logit": Reference(
            "Cox DR (1970). The Analysis of Binary Data. Methuen, London. Logits of shares.",
            seen=True,
        ),
        "satterthwaite": Reference(
            "Satterthwaite FE (1946). Biometrics Bulletin 2, 110-114. Degrees of freedom of sums.",
            seen=True,
        ),
        "exact-share": Reference(
            "Clopper CJ & Pearson ES (1934). Biometrika 26, 404-413. Limits of shares of none and "
            "of all.",
            seen=True,
        ),
        "hartung-knapp": Reference(
            "Hartung J & Knapp G (2001). Statistics in Medicine 20, 3875-3889. Intervals over "
            "several trials.",
            seen=True,
        ),
        "prediction": Reference(
            "Higgins JPT, Thompson SG & Spiegelhalter DJ (2009). Journal of the Royal Statistical "
            "Society A 172, 137-159. Where the next trial is expected.",
            seen=True,
        ),
        "heterogeneity": Reference(
            "Higgins JPT & Thompson SG (2002). Statistics in Medicine 21, 1539-1558. Differences "
            "between trials beyond chance.",
            seen=True,
        ),
        "inference-space": Reference(
            "Dixon PM, Moore KJ & van Santen E (2018). Chapter 8 of Applied Statistics in "
            "Agricultural, Biological, and Environmental Sciences. Combined experiments; narrow "
            "and broad inference.",
            seen=True,
        ),
        "environment-slope": Reference(
            "Finlay KW & Wilkinson GN (1963). Australian Journal of Agricultural Research 14, "
            "742-754. Regression on the mean of the environment.",
            seen=True,
        ),
        "ecovalence": Reference(
            "Wricke G (1962). Zeitschrift f\u00fcr Pflanzenz\u00fcchtung 47, 92-96. Ecovalence.",
            seen=True,
        ),
        "stability-variance": Reference(
            "Shukla GK (1972). Heredity 29. Stability variance.", seen=True
        ),
        "superiority": Reference(
            "Lin CS & Binns MR (1988). Canadian Journal of Plant Science 68, 193-198. Distance "
            "from the best.",
            seen=True,
        ),
        "letters": Reference(
            "Piepho HP (2004). Journal of Computational and Graphical Statistics 13, 456-466. "
            "Letters for pairwise comparisons.",
            seen=True,
        ),
    }
)


def reference_lines(keys: set[str]) -> tuple[str, ...]:
    """List the publications behind these methods, each once, by author.

    Those whose details were not checked are left out: a report names no source from memory.
    """
    chosen = sorted(
        {REFERENCES[key].text for key in keys if key in REFERENCES and REFERENCES[key].seen}
    )
    return tuple(chosen)
