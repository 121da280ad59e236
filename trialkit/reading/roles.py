"""Which treatment is the untreated: from the settings, the role column or its name."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace

from trialkit.problems import Place, listing, meant, quoted, sentences
from trialkit.reading.cells import Ledger
from trialkit.reading.headers import COMPARED, normal
from trialkit.reading.keys import TrialKeys
from trialkit.reading.plan import Listed
from trialkit.reading.untreated_words import UNTREATED
from trialkit.trial import Treatment, TreatmentRole

#: What people write where a trial has no untreated.
NO_UNTREATED = frozenset({"none", "no", "nountreated", "nil", "na", "notreatment", "without"})
_CARRIER = frozenset({
    "water", "wateralone", "wateronly", "carrier", "carrieralone", "carrieronly", "watercontrol",
    "wettingagentalone", "wettingagentonly",
})  # fmt: skip


def settle_roles(
    listed: Mapping[str, Listed], keys: TrialKeys, place: Place, ledger: Ledger
) -> tuple[tuple[Treatment, ...], str | None]:
    """Settle the roles and the untreated.

    Returns
    -------
    (tuple of Treatment, str or None)
        Treatments with their roles, and the id of the untreated where there is one.
    """
    said = any(item.role is not None for item in listed.values())
    roles: dict[str, TreatmentRole] = {
        key: item.role or TreatmentRole.TEST for key, item in listed.items()
    }
    untreated = _from_keys(listed, keys, ledger)
    by_role = [key for key, role in roles.items() if role is TreatmentRole.UNTREATED]
    if untreated is not None:
        _agree(untreated, listed, by_role, keys, ledger)
        roles[untreated] = TreatmentRole.UNTREATED
    elif by_role:
        untreated = by_role[0]
        if len(by_role) > 1:
            ledger.warn(
                "several-untreated",
                f"The treatments {listing(map(quoted, by_role))} all have the role untreated; "
                f"the others are compared with {quoted(untreated)}.",
                'If another should be taken, name it: untreated = "..." in the settings.',
                listed[by_role[1]].place,
            )
    elif "untreated" not in keys.texts:
        untreated = _from_names(listed, place, ledger)
        if untreated is not None:
            roles[untreated] = TreatmentRole.UNTREATED
    if not said:
        _carriers_by_name(listed, roles, ledger)
    treatments = tuple(replace(item.treatment, role=roles[key]) for key, item in listed.items())
    return treatments, untreated


def _from_keys(listed: Mapping[str, Listed], keys: TrialKeys, ledger: Ledger) -> str | None:
    written = keys.texts.get("untreated")
    if not written:
        return None
    if written in listed:
        return written
    if normal(written) in NO_UNTREATED:
        return None
    near = [
        key
        for key, item in listed.items()
        if key.casefold() == written.casefold() or normal(item.treatment.name) == normal(written)
    ]
    if len(near) == 1:
        ledger.warn(
            "treatment-by-name",
            f"{quoted(written)} was taken for the treatment {quoted(near[0])}.",
            "Nothing needs to be done if that is right.",
            keys.untreated_place,
        )
        return near[0]
    if listed:
        known = f"The treatments are {listing(listed, 12)}."
        one = "Give one treatment, with which all others are compared."
        ledger.error(
            "untreated-unknown",
            f"The untreated {quoted(written)} is not in the list of treatments.",
            sentences(one if ";" in written else meant(written, listed), known),
            keys.untreated_place,
        )
    return None


def _agree(
    untreated: str,
    listed: Mapping[str, Listed],
    by_role: list[str],
    keys: TrialKeys,
    ledger: Ledger,
) -> None:
    role = listed[untreated].role
    if role not in {None, TreatmentRole.UNTREATED}:
        ledger.warn(
            "role-differs",
            f"The settings call {quoted(untreated)} the untreated; its role in the list is "
            f"{role}. The settings were followed.",
            "Make the two agree.",
            listed[untreated].place,
        )
    elif by_role and untreated not in by_role and role is None:
        ledger.warn(
            "role-differs",
            f"The settings call {quoted(untreated)} the untreated; in the list it is "
            f"{listing(map(quoted, by_role))}. The settings were followed.",
            "Make the two agree.",
            keys.untreated_place,
        )


def _called(key: str, item: Listed) -> Iterator[str]:
    """What a treatment is called: its id, its name, and the product it is said to hold."""
    yield from (key, item.treatment.name)
    for header, text in item.treatment.extra.items():
        if normal(header) in COMPARED:
            yield text


def _from_names(listed: Mapping[str, Listed], place: Place, ledger: Ledger) -> str | None:
    for words in UNTREATED:
        found = [
            key
            for key, item in listed.items()
            if item.role is None and any(normal(text) in words for text in _called(key, item))
        ]
        if len(found) == 1:
            ledger.warn(
                "untreated-assumed",
                f"The treatment {quoted(found[0])} was taken for the untreated, by its name.",
                'Nothing needs to be done if that is right; else give untreated = "..." in the '
                "settings, or a column role.",
                listed[found[0]].place,
            )
            return found[0]
        if found:
            ledger.warn(
                "several-untreated",
                f"More than one treatment may be the untreated: {listing(map(quoted, found))}.",
                'Name it: untreated = "..." in the settings, or a column role.',
                listed[found[1]].place or place,
            )
            return None
    return None


def _carriers_by_name(
    listed: Mapping[str, Listed], roles: dict[str, TreatmentRole], ledger: Ledger
) -> None:
    for key, item in listed.items():
        if roles[key] is TreatmentRole.TEST and normal(item.treatment.name) in _CARRIER:
            roles[key] = TreatmentRole.CARRIER
            ledger.warn(
                "role-assumed",
                f"The treatment {quoted(key)} ({item.treatment.name}) was taken for the carrier "
                "alone, by its name.",
                "Nothing needs to be done if that is right; else give a column role.",
                item.place,
            )
