"""What trials agree on about a treatment of the series: role, rate, groups, product."""

from __future__ import annotations

from collections import Counter
from collections.abc import Hashable, Iterable, Mapping, Sequence
from types import MappingProxyType
from typing import TypeVar

from trialkit.series.facts import TrialFacts
from trialkit.series.names import Treatments, rate_text
from trialkit.series.result import TreatmentFacts
from trialkit.trial import Treatment, TreatmentRole

T = TypeVar("T", bound=Hashable)


def treatment_facts(
    trials: Sequence[TrialFacts], treatments: Treatments
) -> Mapping[str, TreatmentFacts]:
    """Gather what the trials say of each treatment, by its name in the series."""
    members: dict[str, list[tuple[TrialFacts, Treatment]]] = {}
    for trial in trials:
        for item in trial.treatments:
            name = treatments.by_trial[trial.key][item.id]
            members.setdefault(name, []).append((trial, item))
    return MappingProxyType(
        {name: _facts(own, untreated=name == treatments.untreated) for name, own in members.items()}
    )


def _facts(members: Sequence[tuple[TrialFacts, Treatment]], *, untreated: bool) -> TreatmentFacts:
    items = [item for _, item in members]
    rates = {rate_text(item) for item in items} - {""}
    written = Counter((item.rate, item.rate_unit or "") for item in items if item.rate is not None)
    rate, unit = _most(written) if len(rates) == 1 and written else (None, "")
    groups = Counter(trial.groups.get(item.id, ()) for trial, item in members)
    products = Counter(name for trial, item in members if (name := trial.products.get(item.id, "")))
    return TreatmentFacts(
        role=TreatmentRole.UNTREATED if untreated else _role(item.role for item in items),
        rate=rate,
        rate_unit=unit,
        groups=_most(groups) if len(groups) == 1 else (),
        product=_most(products) if products else "",
    )


def _most(found: Counter[T]) -> T:
    return min(found, key=lambda item: (-found[item], str(item)))


def _role(roles: Iterable[TreatmentRole]) -> TreatmentRole:
    return _most(Counter(roles))


def crop_of(trials: Sequence[TrialFacts]) -> str:
    """The crop that all trials name; empty where they differ or none is named."""
    crops = {trial.crop.casefold(): trial.crop for trial in trials if trial.crop}
    return next(iter(crops.values())) if len(crops) == 1 else ""
