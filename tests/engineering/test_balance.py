"""Permissible residual unbalance, against worked values of ISO 21940-11."""

from decimal import Decimal

import pytest

from trace.engineering.balance import permissible_unbalance


@pytest.mark.parametrize(
    ("grade", "mass", "speed", "unbalance"),
    [
        # e_per = 1000·G/(2π·n/60), U_per = m·e_per. G2.5 for small electric armatures and G6.3 for armatures are
        # grades of the standard as makers of balancing machines print its table.
        ("6.3", "1", "3000", "20.0535"),
        ("6.3", "0.5", "3000", "10.0268"),
        ("2.5", "1", "12000", "1.98944"),
        ("2.5", "0.05", "12000", "0.099472"),
        ("6.3", "20", "1500", "802.141"),
    ],
)
def test_worked_values(grade: str, mass: str, speed: str, unbalance: str) -> None:
    found = permissible_unbalance(Decimal(grade), Decimal(mass), Decimal(speed))
    assert round(found, -Decimal(unbalance).as_tuple().exponent) == Decimal(unbalance)


def test_in_its_units_the_factor_is_9549() -> None:
    """The formula as it is printed: U_per = 9549·G·m/n."""
    assert round(permissible_unbalance(Decimal(1), Decimal(1), Decimal(1))) == 9549


@pytest.mark.parametrize("wrong", [("0", "1", "1"), ("1", "-1", "1"), ("1", "1", "0")])
def test_nothing_is_without_a_grade_a_mass_or_a_speed(wrong: tuple[str, str, str]) -> None:
    with pytest.raises(ValueError, match="above 0"):
        permissible_unbalance(*map(Decimal, wrong))
