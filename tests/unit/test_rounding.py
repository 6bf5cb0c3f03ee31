import math

import pytest
from charscreen.rounding import (
    decimals_for,
    fixed,
    is_number,
    p_value,
    percent,
    significant,
    with_interval,
    with_uncertainty,
)
from hypothesis import given
from hypothesis import strategies as st


@pytest.mark.parametrize(
    ("value", "uncertainty", "expected"),
    [
        # JCGM 100:2008, 7.2.2 and 7.2.6 (from memory): m = 100.021 47 g with u = 0.35 mg;
        # y = 10.057 62 Ω with u = 27 mΩ is given as 10.058 Ω.
        (100.02147, 0.00035, ("100.02147", "0.00035")),
        (10.05762, 0.027, ("10.058", "0.027")),
        # JCGM 100:2008, H.1 (from memory): l = 50.000 838 mm, u = 32 nm.
        (50.000838, 0.000032, ("50.000838", "0.000032")),
        # JCGM 100:2008, H.2 (from memory): R = 127.732 Ω with u = 0.071 Ω.
        (127.7318, 0.0711, ("127.732", "0.071")),
    ],
)
def test_published_statements_of_uncertainty(value, uncertainty, expected):
    assert with_uncertainty(value, uncertainty) == expected


@pytest.mark.parametrize(
    ("uncertainty", "digits", "expected"),
    [
        (0.35, 2, 2),
        (3.5, 2, 1),
        (35, 2, 0),
        (350, 2, -1),
        (0.0996, 2, 2),
        (0.996, 2, 1),
        (9.96, 1, -1),
        (1.0, 2, 1),
        (0.001, 1, 3),
        (1e-12, 2, 13),
    ],
)
def test_decimals_leave_the_wanted_digits(uncertainty, digits, expected):
    assert decimals_for(uncertainty, digits) == expected


@pytest.mark.parametrize("bad", [0, -1.0, math.nan, math.inf, None, "2"])
def test_an_uncertainty_must_be_a_number_above_zero(bad):
    with pytest.raises(ValueError, match="a number above 0 is needed"):
        decimals_for(bad)


def test_at_least_one_digit():
    with pytest.raises(ValueError, match="digits must be 1 or more"):
        decimals_for(1.0, 0)


@pytest.mark.parametrize(
    ("value", "decimals", "expected"),
    [
        # Ties go to the even digit, on the decimal text of the float.
        (0.25, 1, "0.2"),
        (0.35, 1, "0.4"),
        (2.5, 0, "2"),
        (3.5, 0, "4"),
        (25, -1, "20"),
        (1234.5, -2, "1200"),
        (-1.25, 1, "−1.2"),
        (-0.04, 1, "0.0"),
        (0.0, 2, "0.00"),
        (1e22, 0, "10000000000000000000000"),
        (None, 1, ""),
        (math.nan, 1, ""),
        (math.inf, 1, ""),
    ],
)
def test_fixed(value, decimals, expected):
    assert fixed(value, decimals) == expected


def test_without_uncertainty_three_digits_stay():
    assert with_uncertainty(123.456, None) == ("123", "")
    assert with_uncertainty(0.00123456, 0) == ("0.00123", "")
    assert with_uncertainty(None, 1.0) == ("", "1.0")
    assert significant(0) == "0"
    assert significant(99.96, 3) == "100"


def test_interval_ends_at_the_digit_of_its_shorter_arm():
    assert with_interval(168.4, 145.7, 196.2) == ("168", "146", "196")
    # A long upper arm must not round the lower end away.
    assert with_interval(40.0, 2.1, 900.0) == ("40", "2", "900")
    assert with_interval(3.14159, 3.0, 3.3) == ("3.14", "3.00", "3.30")


def test_interval_with_missing_ends():
    assert with_interval(12.345, None, None) == ("12.3", "", "")
    assert with_interval(12.345, 12.345, 12.345) == ("12.3", "12.3", "12.3")
    assert with_interval(math.nan, 1, 2) == ("", "", "")


@pytest.mark.parametrize(
    ("fraction", "expected"),
    [
        (0.0, "< 1 %"),
        (0.004, "< 1 %"),
        (0.005, "< 1 %"),
        (0.00501, "1 %"),
        (0.006, "1 %"),
        (0.344, "34 %"),
        (0.994, "99 %"),
        (0.99499, "99 %"),
        (0.995, "> 99 %"),
        (0.996, "> 99 %"),
        (1.0, "> 99 %"),
        (math.nan, ""),
        (None, ""),
    ],
)
def test_a_probability_from_draws_is_never_none_or_all(fraction, expected):
    assert percent(fraction) == expected


@given(st.floats(0, 1))
def test_no_share_of_draws_reads_as_none_or_all(fraction):
    assert percent(fraction) not in ("0 %", "100 %")


@pytest.mark.parametrize(
    ("p", "expected"),
    [(0.5312, "0.53"), (0.04712, "0.047"), (0.00042, "0.00042"), (1e-9, "< 0.0001"), (None, "")],
)
def test_p_value(p, expected):
    assert p_value(p) == expected


@pytest.mark.parametrize("value", [None, "", "3", math.nan, math.inf, object()])
def test_what_is_no_number(value):
    assert not is_number(value)


@given(
    value=st.floats(-1e6, 1e6),
    uncertainty=st.floats(1e-6, 1e6),
)
def test_rounding_moves_a_value_by_at_most_a_twentieth_of_its_uncertainty(value, uncertainty):
    text, u_text = with_uncertainty(value, uncertainty)
    shown = float(text.replace("−", "-"))
    # Half a unit of the second digit, at most 0.5/10 of an uncertainty that starts with 1.0;
    # 1e-9 allows for floats.
    assert abs(shown - value) <= 0.0505 * uncertainty + 1e-9
    assert abs(float(u_text) - uncertainty) <= 0.0505 * uncertainty + 1e-9
