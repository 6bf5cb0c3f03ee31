"""Published and derived yields of the chain of masses."""

import pandas as pd
import pytest
from charscreen.ledger import compute_yields

BALANCES = {"bench": {"readability_g": 0.01, "repeatability_g": 0.01, "calibration_percent": 0.02}}


def one_lot(masses, *, activation="none", **feed):
    return compute_yields(
        pd.DataFrame([{"run": "R1"} | masses]),
        pd.DataFrame([{"run": "R1", "feedstock": "x", "activation": activation}]),
        pd.DataFrame([{"feedstock": "x"} | feed]),
        balances=BALANCES,
    ).iloc[0]


def test_wet_feed_on_three_bases():
    """Derived: 100 g at 92 % water, 2.4 g char, 10 % ash all retained. Exact arithmetic."""
    row = one_lot(
        {"feed_ar_g": 100.0, "moisture_ar_percent": 92.0, "char_g": 2.4}, ash_d_percent=10.0
    )
    assert row["feed_dry_g"] == pytest.approx(8.0)
    assert row["yield_char_ar_percent"] == pytest.approx(2.4)
    assert row["yield_char_d_percent"] == pytest.approx(30.0)
    assert row["yield_char_daf_percent"] == pytest.approx(100 * 1.6 / 7.2)
    assert row["ash_of_char_from"] == "assumed all retained"
    # The same with the char's ash measured at a third.
    row = one_lot(
        {
            "feed_ar_g": 100.0,
            "moisture_ar_percent": 92.0,
            "char_g": 2.4,
            "char_ash_d_percent": 100 / 3,
        },
        ash_d_percent=10.0,
    )
    assert row["yield_char_daf_percent"] == pytest.approx(22.2, abs=0.05)


def test_fixed_carbon_yield_formula():
    """Derived from the formula of Antal & Grønli (2003): y 0.30, FC 80 %, feed ash 1.5 %."""
    row = one_lot(
        {
            "feed_ar_g": 120.0,
            "feed_dry_g": 100.0,
            "char_g": 30.0,
            "char_ash_d_percent": 5.0,
            "char_volatile_d_percent": 15.0,
        },
        ash_d_percent=1.5,
    )
    assert row["fixed_carbon_yield_percent"] == pytest.approx(24.365, abs=0.001)


@pytest.mark.parametrize(
    ("temperature", "char", "fixed", "expected"),
    [(300, 40.0, 68.0, 27.2), (500, 33.0, 86.0, 28.4), (700, 30.0, 93.0, 27.9)],
)
def test_wood_char_fixed_carbon_yield_is_nearly_flat(temperature, char, fixed, expected):
    """Wood char yields and fixed carbon of the FAO charcoal tables; 0.05 is half a last digit.

    The tables give no ash of the wood, so none is taken off.
    """
    row = one_lot(
        {
            "feed_ar_g": 100.0,
            "feed_dry_g": 100.0,
            "char_g": char,
            "char_ash_d_percent": 2.0,
            "char_volatile_d_percent": 98.0 - fixed,
        },
        ash_d_percent=0.0,
    )
    assert row["fixed_carbon_yield_percent"] == pytest.approx(expected, abs=0.05), temperature


def test_common_chain_with_activation():
    """Common practice, no source: 250 g in, 5 g char, 1 g activated."""
    row = one_lot(
        {"feed_ar_g": 250.0, "char_g": 5.0, "char_taken_g": 5.0, "activated_g": 1.0},
        activation="KOH",
    )
    assert row["yield_char_ar_percent"] == pytest.approx(2.0)
    assert row["yield_activated_percent"] == pytest.approx(20.0)
    assert row["burn_off_percent"] == pytest.approx(80.0)
    assert row["carbon_g_per_kg_ar"] == pytest.approx(4.0)


def test_standard_error_of_a_ratio_by_hand():
    """JCGM 100:2008, 5.1.6: relative uncertainties of a quotient add in quadrature."""
    row = one_lot({"feed_ar_g": 40.0, "char_g": 10.0})
    reading = (2 * (0.01**2 / 12 + 0.01**2)) ** 0.5  # before and after taring
    relative = ((reading / 40.0) ** 2 + (reading / 10.0) ** 2) ** 0.5
    assert row["yield_char_ar_percent_se"] == pytest.approx(25.0 * relative, rel=1e-4)
