"""Which treatments, variables and units of several trials are one; the rest is shown and asked."""

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trialkit.problems import TrialError
from trialkit.series.facts import TrialFacts, VariableFacts
from trialkit.series.matching import in_order, match_trials
from trialkit.series.options import Named, SeriesOptions
from trialkit.trial import Kind, Treatment, TreatmentRole, Variable, VariableRole

PLAIN = SeriesOptions()


def treatment(id: str, name: str, **more) -> Treatment:
    return Treatment(id=id, name=name, **more)


def variable(name: str, label: str = "", unit: str | None = None, **more) -> VariableFacts:
    kind = more.pop("kind", Kind.COUNT)
    role = more.pop("role", VariableRole.PEST)
    found = Variable(name=name, label=label or name, kind=kind, role=role, unit=unit)
    return VariableFacts(variable=found, days=(-1.0, 3.0, 7.0), **more)


def beans(unit: str | None, **more) -> VariableFacts:
    return variable("beans", "Beans", unit, kind=Kind.MEASUREMENT, role=VariableRole.YIELD, **more)


LARVAE = (variable("larvae"),)


def trial(key: str, treatments, variables=LARVAE, **more) -> TrialFacts:
    given = dict(
        title=key, site="", season="", year=None, design="rcbd", blocks=4, untreated="1",
        covariates={}, pressure={}, digest=key, groups={}, products={},
    )  # fmt: skip
    return TrialFacts(
        key=key, treatments=tuple(treatments), variables=tuple(variables), **{**given, **more}
    )


NORTH = trial(
    "north",
    [
        treatment("1", "Untreated", role=TreatmentRole.UNTREATED),
        treatment("2", "Wimbrel", rate=0.2, rate_unit="L/ha", role=TreatmentRole.REFERENCE),
        treatment("3", "Tarnock"),
    ],
)
SOUTH = trial(
    "south",
    [
        treatment("A", "Check", role=TreatmentRole.UNTREATED),
        treatment("B", "tarnock "),
        treatment("C", "WIMBREL", rate=200.0, rate_unit="mL/ha"),
        treatment("D", "Ostrel"),
    ],
    untreated="A",
)


def taken(found, key: str) -> dict[str, str]:
    return dict(next(match.treatments for match in found.matches if match.trial == key))


def test_one_name_is_one_treatment_whatever_its_id_and_spelling():
    found = match_trials([NORTH, SOUTH], PLAIN)
    names = [name for name, _ in found.treatments]
    assert names[0] == found.settings.untreated
    assert sorted(names[1:]) == ["Ostrel", "Tarnock", "WIMBREL"]
    assert taken(found, "north")["2"] == taken(found, "south")["C"] == found.settings.reference
    assert taken(found, "north")["3"] == taken(found, "south")["B"]
    assert taken(found, "north")["1"] == taken(found, "south")["A"]
    alone = [row for row in found.rows if "in this trial alone" in row.how]
    assert [(row.trial, row.taken_as) for row in alone] == [("south", "Ostrel")]


def test_rates_of_one_product_stay_apart_and_units_do_not_matter():
    double = replace(
        SOUTH,
        treatments=(*SOUTH.treatments, treatment("E", "Wimbrel", rate=0.4, rate_unit="L/ha")),
    )
    found = match_trials([NORTH, double], PLAIN)
    assert taken(found, "north")["2"] == taken(found, "south")["C"]
    assert taken(found, "south")["E"] not in taken(found, "north").values()


def test_one_name_twice_in_a_trial_is_told_apart_by_the_id():
    twice = replace(NORTH, treatments=(*NORTH.treatments, treatment("4", "Tarnock")))
    found = match_trials([twice, replace(twice, key="west")], PLAIN)
    assert taken(found, "north") == taken(found, "west")
    assert len(set(taken(found, "north").values())) == 4


def test_nearly_the_same_name_is_asked_and_not_merged():
    slip = replace(SOUTH, treatments=(*SOUTH.treatments[:3], treatment("D", "Ostrell")))
    west = replace(SOUTH, key="west")
    found = match_trials([slip, west], PLAIN)
    assert {"Ostrel", "Ostrell"} <= {name for name, _ in found.treatments}
    assert [p.kind for p in found.problems] == ["treatments-to-decide"]
    assert "nearly the same name" in found.problems[0].what
    one = SeriesOptions(treatments={"Ostrel": (Named("Ostrell"),)})
    settled = match_trials([slip, west], one)
    assert taken(settled, "south")["D"] == taken(settled, "west")["D"] == "Ostrel"
    assert settled.problems == ()


def test_ids_without_names_are_asked_and_not_merged():
    nameless = trial("east", [treatment("1", "1"), treatment("2", "2"), treatment("3", "3")])
    found = match_trials([NORTH, nameless], PLAIN)
    assert taken(found, "east")["2"] == "2"
    assert "have the same id" in found.problems[0].what
    named = SeriesOptions(
        treatments={"Wimbrel": (Named("2", "east"),), "Tarnock": (Named("3", "east"),)}
    )
    assert taken(match_trials([NORTH, nameless], named), "east")["2"] == "Wimbrel"


def test_variables_are_one_by_name_or_label_and_of_one_kind():
    a = replace(NORTH, variables=(variable("larvae", "Larvae per plant"),))
    b = replace(SOUTH, variables=(variable("grubs", "larvae  per plant"), variable("eggs")))
    share = variable("eggs", kind=Kind.PERCENT)
    c = replace(NORTH, key="west", variables=(share,))
    found = match_trials([a, b, c], PLAIN)
    by_trial = {match.trial: match.variables for match in found.matches}
    assert by_trial["north"]["larvae"] == by_trial["south"]["grubs"]
    assert by_trial["south"]["eggs"] != by_trial["west"]["eggs"]
    assert "variables-to-decide" in {problem.kind for problem in found.problems}


def test_units_are_converted_and_a_bushel_needs_its_weight():
    sides = [
        replace(NORTH, variables=(beans("t/ha"),)),
        replace(NORTH, key="west", variables=(beans("t/ha"),)),
        replace(SOUTH, variables=(beans("bu/acre", bushel_lb=60.0),)),
        replace(SOUTH, key="east", variables=(beans("bu/acre"),)),
        replace(SOUTH, key="far", variables=(beans(None),)),
    ]
    found = match_trials(sides, PLAIN)
    by_trial = {match.trial: match for match in found.matches}
    assert found.variables[0].unit == "t/ha"
    # 1 bu/acre of 60 lb: 60 * 0.45359237 kg over 0.40468564224 ha
    assert by_trial["south"].factors["beans"] == pytest.approx(60 * 0.45359237 / 404.68564224)
    assert by_trial["north"].factors == {}
    assert by_trial["east"].variables == by_trial["far"].variables == {}
    assert [p.place.file for p in found.problems if p.kind == "unit-unfit"] == ["east", "far"]
    asked = match_trials(sides[:3], SeriesOptions(units={"beans": "lb/acre"}))
    assert asked.variables[0].unit == "lb/acre"
    assert asked.matches[0].factors["beans"] == pytest.approx(892.179, rel=1e-5)


def test_what_no_trial_has_is_refused_all_at_once():
    wrong = SeriesOptions(
        treatments={"Wimbrell": (Named("Wimbrell"),)},
        reference="Tarnok",
        covariates={"nort": {"latitude": 50.0}},
        units={"barley": "t/ha"},
    )
    with pytest.raises(TrialError) as caught:
        match_trials([NORTH, SOUTH], wrong)
    assert [p.place.column for p in caught.value.problems] == [
        "treatments",
        "units",
        "covariates",
        "reference",
    ]
    assert "Did you mean 'Tarnock'?" in str(caught.value)


def test_a_trial_without_an_untreated_is_told():
    found = match_trials([NORTH, replace(SOUTH, untreated=None)], PLAIN)
    assert "no-untreated" in {problem.kind for problem in found.problems}
    assert "yields and measurements only" in (found.trials[1].note or "")


def test_trials_with_nothing_in_common_are_told():
    other = trial(
        "far",
        [treatment("1", "Untreated", role=TreatmentRole.UNTREATED), treatment("2", "Pelloway")],
        (variable("mites"),),
        crop="hops",
    )
    found = match_trials([replace(NORTH, crop="beans"), other], PLAIN)
    assert [p.kind for p in found.problems] == [
        "no-common-treatment",
        "no-common-variable",
        "several-crops",
    ]


NAMES = st.sampled_from(["Wimbrel", "Tarnock", "Ostrel", "Pelloway", "Marrowfen"])


@st.composite
def series(draw):
    found = []
    for number in range(draw(st.integers(2, 4))):
        names = draw(st.lists(NAMES, min_size=1, max_size=4, unique=True))
        items = [treatment("1", "Untreated", role=TreatmentRole.UNTREATED)]
        items += [treatment(str(place), name) for place, name in enumerate(names, 2)]
        found.append(trial(f"t{number}", items, year=float(draw(st.integers(2020, 2023)))))
    return found


@given(series(), st.randoms())
@settings(max_examples=40, deadline=None)
def test_the_order_of_the_trials_does_not_matter(trials, random):
    mixed = random.sample(trials, len(trials))
    assert match_trials(in_order(mixed, PLAIN), PLAIN) == match_trials(
        in_order(trials, PLAIN), PLAIN
    )


@given(series())
@settings(max_examples=40, deadline=None)
def test_other_ids_give_the_same_treatments(trials):
    other = [
        replace(
            item,
            untreated="x1",
            treatments=tuple(replace(t, id=f"x{t.id}") for t in item.treatments),
        )
        for item in trials
    ]
    first, second = match_trials(trials, PLAIN), match_trials(other, PLAIN)
    assert first.treatments == second.treatments
    for left, right in zip(first.matches, second.matches, strict=True):
        assert {f"x{id}": name for id, name in left.treatments.items()} == right.treatments
