"""How a printed table of means is typed in for an audit."""

from __future__ import annotations

from collections.abc import Mapping

#: Rows below the means that hold numbers, and their meaning.
NUMBERS: Mapping[str, str] = {
    "n": "plots behind each mean; 2-3 where the table says no more",
    "samples": "units counted in each plot (with kind share: units examined)",
    "per": "units that a mean counts for: 10 where it is per 10 plants and each plant was one",
    "alpha": "level of LSD and letters; 0.05 where not said",
    "lsd": "least significant difference",
    "hsd": "Tukey's significant difference",
    "se": "standard error, not said of what",
    "se of mean": "standard error of a mean",
    "se of difference": "standard error of a difference of two means",
    "cv": "coefficient of variation, percent",
    "grand mean": "mean over treatments",
    "mean square": "mean square of error",
    "df": "degrees of freedom of error",
    "df treatment": "degrees of freedom of treatments",
    "f": "F of treatments",
    "p": "its P; <0.001 may be written",
    "treatments": "treatments in the analysis, where the table shows only some",
}
#: Rows below the means that hold a word, and the words.
WORDS: Mapping[str, tuple[str, ...]] = {
    "kind": ("count", "share", "measurement", "adjusted", "back-transformed"),
    "transform": ("none", "sqrt", "log", "arcsine", "other"),
    "procedure": ("lsd", "tukey", "duncan", "snk", "bonferroni", "scheffe", "other"),
    "spread": ("se", "sd"),
    "formula": ("abbott", "henderson-tilton", "other"),
}
#: The row that ends the treatments.
STATISTICS = "statistics"
SUMS = ("pest-days", "total", "average")
LAYOUT = (
    f"One row a treatment, then a row '{STATISTICS}', then one row a statistic.",
    "Columns: treatment; role (untreated marks what control is computed against);",
    "day D or yield (the mean, with its letters: 12.3 ab, or 12.3 ± 0.4 ab); letters day D;",
    "n day D (plots behind each mean, where they differ);",
    f"control day D (percent); {', '.join(SUMS)};",
    "all (a statistic that holds for every column).",
    "Statistics, under the means or under all:",
    *(f"- {name}: {meaning}" for name, meaning in NUMBERS.items()),
    *(f"- {name}: {', '.join(words)}" for name, words in WORDS.items()),
    "Numbers stand as they are printed, with zeros at the end; in a workbook text cells keep them.",
    "What is not given stays empty. A blank to copy: templates/printed_table.csv.",
)


def blank() -> str:
    """Write the blank table that is shipped."""
    head = ["treatment", "role", "day 0", "day 7", "control day 7", "pest-days", "yield", "all"]
    below = [STATISTICS, *NUMBERS, *WORDS]
    lines = [head, ["", "untreated"], *([name] for name in below)]
    return "".join(",".join([*line, *[""] * (len(head) - len(line))]) + "\n" for line in lines)
