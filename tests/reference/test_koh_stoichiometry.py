"""KOH activation by its reaction: published figures per gram, atomic masses of a registry package.

6 KOH + 2 C → 2 K + 3 H2 + 2 K2CO3, Lillo-Ródenas et al., Carbon 2003, 41, 267.
"""

import periodictable
import pytest
from charscreen.ledger.stoichiometry import (
    ATOMIC_MASS,
    MOLAR_VOLUME_L,
    PER_G_KOH,
    koh_balance,
)
from scipy import constants


def test_atomic_masses_are_those_of_the_table():
    for element, mass in ATOMIC_MASS.items():
        # Abridged values; 0.0005 is half the last digit of the least exact one.
        assert mass == pytest.approx(getattr(periodictable, element).mass, abs=0.0005), element


def test_figures_per_gram_from_formula_masses_of_the_package():
    """The same sums done with the package's own formula masses."""
    koh, carbonate = (periodictable.formula(text).mass for text in ("KOH", "K2CO3"))
    assert PER_G_KOH["carbon_g"] == pytest.approx(2 * periodictable.C.mass / (6 * koh), rel=1e-5)
    assert PER_G_KOH["potassium_g"] == pytest.approx(2 * periodictable.K.mass / (6 * koh), rel=1e-5)
    assert PER_G_KOH["hydrogen_g"] == pytest.approx(6 * periodictable.H.mass / (6 * koh), rel=1e-5)
    assert PER_G_KOH["carbonate_g"] == pytest.approx(2 * carbonate / (6 * koh), rel=1e-5)


def test_nothing_is_made_from_nothing():
    mass_in = 1.0 + PER_G_KOH["carbon_g"]
    out = sum(PER_G_KOH[name] for name in ("potassium_g", "hydrogen_g", "carbonate_g"))
    assert out == pytest.approx(mass_in, rel=1e-12)


@pytest.mark.parametrize(
    ("name", "expected", "tolerance"),
    [
        ("carbon_g", 0.0714, 0.00005),
        ("potassium_g", 0.2323, 0.00005),
        ("hydrogen_g", 0.0180, 0.00005),
        ("hydrogen_L", 0.214, 0.0011),  # 20 °C and 1 atm; the figure is rounded to 3 digits
        ("carbonate_g", 0.821, 0.0005),
    ],
)
def test_figures_per_gram(name, expected, tolerance):
    """Derived from the reaction; tolerance half a last digit."""
    assert PER_G_KOH[name] == pytest.approx(expected, abs=tolerance)


def test_molar_volume():
    # 24.055 L/mol at 20 °C and 1 atm, ideal gas (from memory); the constants as SciPy has them.
    assert pytest.approx(24.055, abs=0.001) == MOLAR_VOLUME_L
    litres = 1000 * constants.R * constants.convert_temperature(20.0, "C", "K") / constants.atm
    assert pytest.approx(litres, rel=1e-9) == MOLAR_VOLUME_L


def test_share_of_the_carbon_at_four_to_one_and_the_ratio_that_takes_all():
    """Derived: 28.5 % at 4 : 1; 14.0 : 1 would consume all."""
    four = koh_balance(20.0, char_g=5.0)
    assert four.ratio == pytest.approx(4.0)
    assert four.carbon_percent == pytest.approx(28.5, abs=0.05)
    assert 1 / PER_G_KOH["carbon_g"] == pytest.approx(14.0, abs=0.05)
    beyond = koh_balance(100.0, char_g=5.0)
    assert beyond.carbon_percent == 100.0
    assert beyond.carbon_g == pytest.approx(5.0)
    # What has no carbon left to react with makes neither metal nor gas.
    assert beyond.potassium_g == pytest.approx(
        5.0 / PER_G_KOH["carbon_g"] * PER_G_KOH["potassium_g"]
    )


def test_purity_goes_with_the_mass():
    pellets = koh_balance(10.0, char_g=3.0, purity_percent=85.0)
    pure = koh_balance(8.5, char_g=3.0)
    assert pellets == pure
    assert koh_balance(1.0, char_g=0.5, purity_percent=80.0).ratio == pytest.approx(1.6)


def test_no_koh_consumes_nothing():
    balance = koh_balance(0.0, char_g=5.0)
    assert (balance.ratio, balance.carbon_percent, balance.hydrogen_L) == (0.0, 0.0, 0.0)


@pytest.mark.parametrize(("char", "potassium_g"), [({}, 2.323), ({"char_g": 0.0}, 0.0)])
def test_without_the_char_there_is_no_ratio(char, potassium_g):
    balance = koh_balance(10.0, **char)
    assert (balance.ratio, balance.carbon_percent) == (None, None)
    assert balance.potassium_g == pytest.approx(potassium_g, abs=0.0005)


@pytest.mark.parametrize(
    "wrong", [{"koh_g": -1.0}, {"koh_g": 1.0, "char_g": -1.0}, {"koh_g": 1.0, "purity_percent": 0}]
)
def test_figures_that_cannot_be(wrong):
    with pytest.raises(ValueError, match=r"below zero|not above 0"):
        koh_balance(wrong.pop("koh_g"), **wrong)
