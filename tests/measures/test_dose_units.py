"""Units of rates and contents: read as labels write them, converted by exact constants."""

import pytest

from trialkit.measures.dose_units import (
    ContentUnit,
    RateUnit,
    active_of_product,
    amount_for,
    product_of_active,
    read_content_unit,
    read_rate_unit,
)


@pytest.mark.parametrize(
    ("text", "amount", "basis", "per", "size", "active"),
    [
        ("L/ha", "L", "area", "ha", 1, False),
        ("ml / ha", "mL", "area", "ha", 1, False),
        ("g a.i./ha", "g", "area", "ha", 1, True),
        ("kg as/ha", "kg", "area", "ha", 1, True),
        ("fl. oz per acre", "fl oz", "area", "acre", 1, False),
        ("lb ai/ac", "lb", "area", "acre", 1, True),
        ("% v/v", "mL", "mixture", "mL", 100, False),
        ("mL/100 L", "mL", "mixture", "L", 100, False),
        ("oz/100 gal", "oz", "mixture", "gal", 100, False),
        ("g/kg seed", "g", "seed", "kg", 1, False),
        ("mL/100 kg", "mL", "seed", "kg", 100, False),
        ("fl oz/cwt", "fl oz", "seed", "lb", 100, False),
        ("mL/plant", "mL", "plant", "plant", 1, False),
    ],
)
def test_rates_as_labels_write_them(
    text: str, amount: str, basis: str, per: str, size: float, active: bool
) -> None:
    assert read_rate_unit(text) == RateUnit(
        amount=amount, basis=basis, per=per, size=size, active=active
    )


@pytest.mark.parametrize("text", ["", "L", "%", "g", "bar/ha", "mg ai/seed", "L/ha/ha", "0 g/ha"])
def test_what_is_no_rate_is_none(text: str) -> None:
    assert read_rate_unit(text) is None


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("g/L", ContentUnit(mass="g", per="L")),
        ("g a.i./kg", ContentUnit(mass="g", per="kg")),
        ("% w/w", ContentUnit(mass="g", per="g", size=100)),
        ("% w/v", ContentUnit(mass="g", per="mL", size=100)),
        ("lb ai/gal", ContentUnit(mass="lb", per="gal")),
        ("%", None),
        ("L/kg", None),
    ],
)
def test_contents_as_labels_write_them(text: str, found: ContentUnit | None) -> None:
    assert read_content_unit(text) == found


def test_active_and_product_are_each_other_turned_round() -> None:
    # 0.75 L/ha of 200 g/L is 150 g a.i./ha; 100 g a.i./ha of a 25 % granule is 400 g.
    litre = ContentUnit(mass="g", per="L")
    assert active_of_product(0.75, "L", 200, litre) == pytest.approx(150)
    grams = RateUnit(amount="g", basis="area", per="ha", active=True)
    assert product_of_active(150, grams, 200, litre) == pytest.approx((750, "mL"))
    granule = ContentUnit(mass="g", per="g", size=100)
    assert product_of_active(100, grams, 25, granule) == pytest.approx((400, "g"))
    # 12 fl oz of 2 lb/gal is 0.1875 lb.
    pounds = active_of_product(12, "fl oz", 2, ContentUnit(mass="lb", per="gal"))
    assert pounds == pytest.approx(0.1875 * 453.59237)


def test_amounts_for_what_they_are_for() -> None:
    assert amount_for(2.5, RateUnit(amount="g", basis="seed", per="kg", size=100), 50, "lb") == (
        pytest.approx(2.5 * 50 * 0.45359237 / 100)
    )
    assert amount_for(3, RateUnit(amount="mL", basis="plant", per="plant"), 80, "plant") == 240


def test_units_that_do_not_fit_are_refused() -> None:
    with pytest.raises(ValueError, match="do not measure the same"):
        active_of_product(1, "L", 200, ContentUnit(mass="g", per="kg"))
    liquid = RateUnit(amount="mL", basis="area", per="ha", active=True)
    with pytest.raises(ValueError, match="is a mass"):
        product_of_active(1, liquid, 200, ContentUnit(mass="g", per="L"))
