"""What headers mean: the trade's synonyms, and days written into headers."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping
from functools import lru_cache

from trialkit.reading.heading_units import heading_unit

_PLOT = (
    "plot", "plotno", "plotnr", "plotnumber", "plotid", "plots", "plotcode", "parcel", "plotname",
    "parzelle", "parzellennr", "parzellennummer", "parcelle", "parcela", "parcella", "veldje",
    "parz", "parznr", "parznummer", "plotn", "ptnr", "parcellenr", "noparcelle", "perceel",
    # Polish, Czech and Slovak, Hungarian, Nordic, Finnish, Romanian, Turkish
    "poletko", "nrpoletka", "numerpoletka", "parcelka", "parcelakc", "cisloparcely", "parcell",
    "parcelnr", "rute", "rutenr", "ruta", "rutnr", "ruutu", "koeruutu", "parsel", "parselno",
)  # fmt: skip
_TREATMENT = (
    "treatment", "trt", "treat", "trtno", "trtnr", "treatmentno", "treatmentnr",
    "treatmentnumber", "treatmentid", "treatmentcode", "trtid", "trtcode", "trtnumber", "tmt",
    "trmt", "entry", "entryno", "entrynr", "entrynumber", "treatments", "behandlung", "variante",
    "prüfglied", "pruefglied", "traitement", "modalité", "modalite", "tratamiento", "tratamento",
    "trattamento", "tesi", "behandeling", "versuchsglied", "vgl", "objet", "objekt",
    "pg", "pgnr", "vg", "obiekt", "kombinacja", "wariant", "varianta", "variant", "osetreni",
    "osetrenie", "kezeles",
    "led", "ledd", "forsoksled", "forsogsled", "behandling", "koejasen", "kasittely", "tratament",
    "muamele", "uygulama",
)  # fmt: skip
_NAME = (
    "name", "treatmentname", "trtname", "product", "description", "treatmentdescription",
    "productname", "entryname", "varietyname", "cultivarname", "fullname", "produkt", "produit",
    "producto", "prodotto", "produto", "middel",
)  # fmt: skip
_ROLE = ("role", "treatmentrole", "treatmenttype", "type")
_BLOCK = (
    "block", "blk", "blocks", "blockno", "blocknr", "blocknumber", "bloc", "blockid", "iblock",
    "incblock", "incompleteblock", "subblock", "ibk", "smallblock", "bloque", "bloco", "blocco",
    "blok",
)  # fmt: skip
_PLAN: dict[str, tuple[str, ...]] = {
    "plot": _PLOT,
    "treatment": _TREATMENT,
    "block": _BLOCK,
    "replicate": (
        "replicate", "rep", "reps", "repno", "repnr", "repnumber", "replicates", "replication",
        "replicateno", "replicationno", "replicationnumber", "replicatenumber", "superblock",
        "wiederholung", "wdh", "répétition", "repetition", "repetición", "repeticion", "repetição",
        "repeticao", "ripetizione", "herhaling", "wdhlg", "répét", "rép", "powtórzenie", "powt",
        "opakování", "opakovanie", "opak", "ismétlés", "ism", "upprepning", "gentagelse", "gjentak",
        "kerranne", "toisto", "repetiție", "repetitie", "repetiția", "repetitia", "rep\u0163",
        "tekerrür", "tekerrur",
    ),
    "row": ("row", "rowno", "rownr", "rownumber", "fieldrow", "plotrow", "rowpos"),
    "column": (
        "column", "col", "columnno", "colno", "columnnumber", "fieldcolumn", "plotcolumn", "colpos",
    ),
    "main_plot": ("mainplot", "mainplotno", "mainplotid", "wholeplot", "wholeplotno", "wp"),
    "main_factor": (
        "mainfactor", "mainplotfactor", "wholeplotfactor", "mainplottreatment", "maintreatment",
    ),
    "sub_factor": (
        "subfactor", "subplotfactor", "splitfactor", "subplottreatment", "subtreatment",
        "subplot", "splitplot",
    ),
}  # fmt: skip
_WHERE: dict[str, tuple[str, ...]] = {
    "site": (
        "site", "sites", "location", "loc", "env", "environment", "station", "locality",
        "siteno", "siteid", "locationid",
    ),
    "year": ("year", "years", "season", "seasons", "yr", "growingseason"),
    "trial": (
        "trial", "trialno", "trialid", "trialname", "expt", "experiment", "exp", "study",
        "experimentno",
    ),
    "farm": ("farm", "farmer", "grower", "cooperator", "county", "village", "district", "region"),
}  # fmt: skip
_LONG: dict[str, tuple[str, ...]] = {
    "variable": (
        "variable", "variables", "variablename", "assessment", "measure", "response", "trait",
        "parameter", "species", "pest", "insect", "organism", "characteristic", "character",
        "attribute", "taxon", "taxa", "organismus", "organisme", "organismo", "espèce",
        "especie", "espécie", "specie", "soort", "gatunek", "druh", "schädling", "schaderreger",
        "ravageur", "plaga", "pestspecies", "insectspecies", "speciesname", "assessmenttype",
        "typeofassessment", "pestname", "target", "targetpest", "škůdce", "szkodnik", "kártevő",
        "skadedyr", "tuholainen", "dăunător", "zararlı", "praga", "parassita", "merkmal",
        "arthropod", "weed", "weedspecies",
    ),
    "value": ("value", "values", "count", "counts", "number", "result", "reading", "observed",
              "score", "rating", "measurement", "amount", "wert", "valeur", "valor", "valore",
              "datavalue"),
}  # fmt: skip
_DAYS: dict[str, tuple[str, ...]] = {
    "days_after": (
        "daysafter", "day", "days", "dayafter", "dat", "daa", "daysaftertreatment",
        "daysaftertrt", "dayaftertreatment", "daysafterapplication", "dayafterapplication",
        "daysafterfirstapplication", "daysafterfirsttreatment", "daysafterspraying",
        "daysafterspray", "dayaftertrt", "dayno", "assessmentday", "timing",
        "tagenachbehandlung", "tagenachapplikation", "joursaprèstraitement", "joursaprestraitement",
        "díasdespuésdeltratamiento", "diasdespuesdeltratamiento", "giornidopotrattamento",
        "tage", "jour", "jours", "día", "días", "giorno", "giorni", "dag", "dagen", "dagar",
        "dzień", "dni", "gün", "zile", "tna", "tnb", "jat", "dda", "gdt", "dnb", "dpt", "dpa",
    ),
    "days_before": (
        "daysbefore", "dbt", "dba", "daysbeforetreatment", "daysbeforeapplication",
    ),
    "days_planting": (
        "dap", "das", "dae", "daysafterplanting", "daysaftersowing", "daysafteremergence",
        "daysafterseeding", "daysaftertransplanting", "daysafterdrilling", "dayafterplanting",
        "dayaftersowing",
    ),
    "hours_after": (
        "hoursafter", "hat", "haa", "hours", "hour", "hoursaftertreatment", "hrs",
        "hoursafterapplication", "hoursafterspraying",
    ),
    "weeks_after": (
        "weeksafter", "wat", "waa", "weeksaftertreatment", "weeksafterapplication",
    ),
    "date": (
        "date", "assessmentdate", "dateofassessment", "dateassessed", "samplingdate", "countdate",
        "countingdate", "dateofcount", "datecounted", "ratingdate", "observationdate", "assessed",
        "evaluationdate", "sampledate", "assessedon", "countedon", "datum", "fecha", "data",
        "boniturdatum", "dátum", "dato", "päivämäärä", "pvm", "tarih", "dataoceny",
    ),
    "sample": (
        "sample", "sampleno", "samplenr", "samplenumber", "sampleid", "samples", "subsample",
        "subsampleno", "subsamplenumber", "subsampleid", "sampleunit", "samplingunit", "plantno",
        "plantnumber", "leafno", "leafnumber", "quadrat", "quadratno",
    ),
}  # fmt: skip
#: Fields of the day of an assessment.
TIMES = ("days_after", "days_before", "days_planting", "hours_after", "weeks_after", "date")
_HARVEST: dict[str, tuple[str, ...]] = {
    "harvested_kg": (
        "plotwtkg", "wtkg", "weightkg", "harvestwtkg",
        "harvestedkg", "kgharvested", "harvestkg", "plotkg", "plotweightkg", "plotmasskg",
        "kgperplot", "kgplot",
    ),
    "harvested_lb": (
        "plotwtlb", "plotwtlbs", "wtlb", "wtlbs", "weightlb", "weightlbs", "harvestwtlb",
        "harvestedlb", "harvestedlbs", "lbharvested", "lbsharvested", "harvestlb", "plotlb",
        "plotweightlb", "plotweightlbs", "lbperplot", "lbplot",
    ),
    "harvested_area_m2": (
        "harvestedaream2", "harvestaream2", "aream2", "aream2harvested", "harvestedm2",
        "harvestedareasqm", "areasqm",
    ),
    "harvested_area_ft2": (
        "harvestedareaft2", "harvestareaft2", "areaft2", "harvestedft2", "harvestedareasqft",
        "areasqft",
    ),
    "moisture_percent": (
        "moisturepercent", "moisture", "grainmoisture", "grainmoisturepercent", "moisturepct",
        "watercontentpercent", "harvestmoisture", "harvestmoisturepercent", "percentmoisture",
        "moist", "moistpercent", "moisturecontent", "moisturecontentpercent",
        "percentgrainmoisture", "percentmoistureatharvest", "feuchte", "feuchtepercent",
        "wassergehalt", "humedad",
    ),
}  # fmt: skip
_RATE = ("rate", "dose", "doserate", "rateperha", "applicationrate")
_RATE_UNIT = ("rateunit", "rateunits", "unit", "units", "doseunit", "doseunits")
_APPLICATION = (
    "application", "applicationno", "applicationnr", "applicationnumber", "applicationid",
    "applicationcode", "applno", "appno", "no", "nr", "number", "letter", "spray", "sprayno",
    "spraynumber",
)  # fmt: skip
#: How an assessment was done, in columns beside its values.
_BESIDE: dict[str, tuple[str, ...]] = {
    "growth_stage": (
        "growthstage", "cropstage", "cropgrowthstage", "stage", "bbch", "growthstagebbch",
        "bbchstage", "stageofcrop",
    ),
    "assessor": (
        "assessor", "observer", "assessedby", "countedby", "observedby", "ratedby", "rater",
        "initials", "counter", "scorer", "scoredby",
    ),
    "method": (
        "method", "assessmentmethod", "methodofassessment", "countingmethod", "samplingmethod",
    ),
    "sample_size": (
        "samplesize", "samplesizes", "sizeofsample", "sampledunits", "unitssampled",
    ),
    "notes": (
        "notes", "note", "remark", "remarks", "comment", "comments", "assessmentnotes",
    ),
}  # fmt: skip

FIELDS: Mapping[str, Mapping[str, tuple[str, ...]]] = {
    "treatments": {
        "treatment": (*_TREATMENT, "no", "nr", "number", "id", "code"),
        "name": _NAME,
        "role": _ROLE,
        "rate": _RATE,
        "rate_unit": _RATE_UNIT,
        "mode_of_action": ("modeofaction", "moa", "modeofactiongroup", "moagroup"),
        "cost_per_ha": ("costperha", "costha", "costperhectare", "priceperha"),
        "cost_per_acre": (
            "costperacre", "costacre", "costac", "costperac", "priceperacre", "costa", "pricea",
        ),
        "cost": ("cost", "costs", "price", "treatmentcost", "productcost"),
        "parts": ("parts", "components", "mixtureof", "partners", "component"),
        "applications": ("applications", "application", "timing", "timings", "applied"),
    },
    "doses": {
        "treatment": (*_TREATMENT, *_NAME),
        "application": (*_APPLICATION, "applications"),
        "rate": (*_RATE, "intended", "intendedrate", "planned", "plannedrate", "targetrate"),
        "rate_unit": _RATE_UNIT,
        "actual": (
            "actual", "actualrate", "actualdose", "achieved", "achievedrate", "delivered",
            "rateapplied", "doseapplied", "appliedrate", "putout",
        ),
    },
    "assessments": {
        **_DAYS,
        "variable": (*_LONG["variable"], "assessedvariable", "what"),
        **_BESIDE,
    },
    "weather": {
        "date": (*_DAYS["date"], "weatherdate"),
        "days_after": _DAYS["days_after"],
    },
    "events": {
        "date": (*_DAYS["date"], "eventdate", "when"),
        "days_after": _DAYS["days_after"],
        "what": (
            "what", "event", "description", "whathappened", "incident", "text", "deviation",
        ),
        "kind": ("kind", "type", "category", "class"),
        "plots": ("plots", "plot", "plotno", "plotnumbers", "plotsaffected", "where"),
    },
    "variables": {"variable": ("variable", "variables", "variablename", "name")},
    "plots": {**_PLAN, **_WHERE, "name": _NAME, "role": _ROLE},
    "counts": {**_PLAN, **_WHERE, **_DAYS, **_LONG, **_BESIDE},
    "yield": {**_PLAN, **_WHERE, **_HARVEST, **_LONG, "date": (*_DAYS["date"], "harvestdate")},
    "flat": {
        **_PLAN, **_WHERE, "name": _NAME, "role": _ROLE, **_DAYS, **_LONG, **_HARVEST, **_BESIDE,
    },
    "applications": {
        "application": (*_APPLICATION, "id"),
        "date": ("date", "applicationdate", "dateofapplication", "applied", "appliedon", "day"),
        "carrier_l_per_ha": (
            "carrierlperha", "carrierlha", "lperha", "lha", "carrier", "carriervolume",
            "carriervolumelperha", "watervolume", "watervolumelperha", "sprayvolume",
            "sprayvolumelperha", "watervolumelha", "sprayvolumelha",
        ),
        "carrier_gal_per_acre": (
            "galperacre", "gpa", "carriergalperacre", "galacre", "gallonsperacre",
            "carriergpa", "sprayvolumegpa", "sprayvolumegalperacre", "watervolumegalperacre",
        ),
        "method": (
            "method", "applicationmethod", "methodofapplication", "howapplied", "applicationtype",
            "applmethod",
        ),
        "equipment": ("equipment", "sprayer", "applicator", "equipmenttype"),
        "growth_stage": _BESIDE["growth_stage"],
    },
}  # fmt: skip

#: Headings of what a trial compares, where none of them is a treatment by name.
COMPARED = frozenset({
    "variety", "varieties", "var", "cultivar", "cv", "gen", "geno", "genotype", "genotypes",
    "hybrid", "hybrids", "line", "lines", "accession", "clone", "inbred", "strain", "selection",
    "product", "insecticide", "fungicide", "herbicide", "chemical", "compound", "formulation",
    "active", "activeingredient", "material", "spray",
})  # fmt: skip

# Columns beside the counts that are no variable even where they hold numbers.
ASIDE = frozenset({
    "growthstage", "cropstage", "cropgrowthstage", "bbch", "stage", "observer", "assessor",
    "assessedby", "countedby", "initials", "remark", "remarks", "note", "notes", "comment",
    "comments", "time", "timeofday", "weather", "temperature", "temp", "humidity", "year", "site",
    "location", "trial", "trialno", "trialid", "season", "crop", "cultivar", "variety", "name",
    "treatmentname", "trtname", "product", "role", "plottreatment", "latitude", "longitude", "lat",
    "lon", "long", "lng", "easting", "northing", "gps", "xcoord", "ycoord", "coordinate",
    "id", "obs", "observation", "index", "order", "rownames", "record", "recordno", "unnamed0",
    "operator", "counter", "plotarea", "plotsize",
})  # fmt: skip


def is_aside(text: str) -> bool:
    """Whether a heading, without its day, names something beside the counts: stage, remarks."""
    reduced = normal(text)
    beside = _index("counts").get(reduced) in _BESIDE or reduced.startswith("bbch")
    return beside or reduced in ASIDE


#: Places of plots, where both stand in a table; one alone may be what was measured.
PLACES = frozenset({"x", "y"})


@lru_cache(maxsize=4096)
def normal(text: str) -> str:
    """Reduce a header to letters and digits: case, spaces and marks do not count.

    ``%`` counts as the word percent and ``#`` as no.
    """
    folded = unicodedata.normalize("NFKC", text).casefold().replace("%", "percent")
    return "".join(sign for sign in folded.replace("#", "no") if sign.isalnum())


def unaccented(word: str) -> str:
    """A word without its accents, as it is often typed; strokes through letters count as such.

    Examples
    --------
    >>> unaccented("powtórzenie"), unaccented("forsøgsled")
    ('powtorzenie', 'forsogsled')
    """
    if word.isascii():
        return word
    plain = unicodedata.normalize("NFD", word.translate(_STROKES))
    return "".join(sign for sign in plain if not unicodedata.combining(sign))


_STROKES = str.maketrans({"ø": "o", "ł": "l", "đ": "d", "ı": "i", "æ": "ae", "ß": "ss"})


@lru_cache(maxsize=4096)
def _without_brackets(text: str) -> str:
    return re.sub(r"\s*[(\[].*?[)\]]\s*$", "", text)


def field_of(kind: str, header: str) -> str | None:
    """Find the field of a table that a header stands for; None where it is not known."""
    index = _index(kind)
    named = index.get(normal(header)) or index.get(unaccented(normal(header)))
    unit = heading_unit(header) if named is None else None
    if unit is not None:
        stem = index.get(normal(unit.stem))
        if stem == "cost":
            return f"cost_per_{unit.below}"
        if stem == "rate":
            return stem
    return named or index.get(normal(_without_brackets(header)))


@lru_cache(maxsize=16)
def _index(kind: str) -> Mapping[str, str]:
    found: dict[str, str] = {}
    for name, words in FIELDS[kind].items():
        for word in words:
            found.setdefault(word, name)
    for word, name in list(found.items()):
        found.setdefault(unaccented(word), name)
    return found


def known_headers(kind: str) -> tuple[str, ...]:
    """Names of the columns that a table may have, as the documents write them."""
    return tuple(FIELDS[kind])


@lru_cache(maxsize=1)
def all_headers() -> frozenset[str]:
    """Every known header of every table, reduced."""
    return frozenset(word for kind in FIELDS for word in _index(kind))
