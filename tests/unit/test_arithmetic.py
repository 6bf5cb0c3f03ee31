"""The arithmetic of the settings: values by hand, errors with their place, and nothing else."""

import math

import numpy as np
import pytest
from charscreen.arithmetic import (
    MOST_CHARACTERS,
    ExpressionError,
    evaluate,
    parse_expression,
)
from hypothesis import given, settings
from hypothesis import strategies as st

KNOWN = ("device_F_per_kg_d", "cost_per_device_F", "koh_ratio", "x")


def value(text, **values):
    return evaluate(parse_expression(text, KNOWN), values)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("1 + 2 * 3", 7),
        ("(1 + 2) * 3", 9),
        ("10 - 4 - 3", 3),
        ("24 / 4 / 2", 3),
        ("2 ** 3 ** 2", 512),
        ("-2 ** 2", -4),
        ("2 ** -1", 0.5),
        ("(-2) ** 2", 4),
        ("--3", 3),
        ("1.5e2 + .5", 150.5),
        ("5.", 5),
        ("sqrt(16) + log(exp(2))", 6),
        ("min(3, 1, 2) + max(4, 7)", 8),
        ("  max( 1 ,\t2 ) ", 2),
    ],
)
def test_values_by_hand(text, expected):
    assert value(text) == pytest.approx(expected, abs=1e-12)


def test_names_stand_for_arrays():
    found = value("x * 2 + koh_ratio", x=np.array([[1.0, 2.0], [3.0, 4.0]]), koh_ratio=[0, 3])
    assert found.tolist() == [[2.0, 7.0], [6.0, 11.0]]
    assert parse_expression("x / (x + koh_ratio)", KNOWN).names == ("x", "koh_ratio")


def test_what_has_no_value_is_not_finite_and_no_error():
    assert math.isinf(value("1 / x", x=0.0))
    assert math.isnan(value("log(x)", x=-1.0))
    assert math.isnan(value("sqrt(x)", x=-1.0))
    assert math.isinf(value("10 ** 10 ** 10"))


@pytest.mark.parametrize(
    ("text", "position", "words"),
    [
        ("", 1, "A number, a name or '(' must stand here; found the end."),
        ("1 +", 4, "must stand here; found the end."),
        ("1 + * 2", 5, "found '*'."),
        ("device_F_per_kgd", 1, "Did you mean 'device_F_per_kg_d'?"),
        ("1 + zzz", 5, "'zzz' is not known. Known are cost_per_device_F, "),
        ("__import__('os')", 1, "'__import__' is not a function. Functions are log, exp"),
        ("x.real", 2, "'.' cannot stand in an expression."),
        ("x ^ 2", 3, "Write ** for a power."),
        ("(x", 3, "')' must stand here; found the end."),
        ("x)", 2, "Nothing can follow here"),
        ("2 x", 3, "an operator may be missing"),
        ("(1,5 * x)", 3, "write numbers with a decimal point"),
        ("log(1, 2)", 1, "log takes 1 value(s) and is given 2."),
        ("max(1)", 1, "max takes 2 or more value(s) and is given 1."),
        ("log + 1", 5, "'(' must follow the function log"),
        ("1e999", 1, "The number is too large"),
        ("logg(2)", 1, "Did you mean 'log'?"),
        ("x" * (MOST_CHARACTERS + 1), MOST_CHARACTERS + 1, "characters; 500 at most"),
        ("(" * 60 + "1" + ")" * 60, 42, "More than 40 parts stand within each other"),
        ("-" * 60 + "1", 42, "More than 40 parts"),
        ("x = 1", 3, "'=' cannot stand in an expression."),
        ("x\x00", 2, "U+0000"),
        ("²", 1, "'²' cannot stand"),
        ("lambda: 1", 7, "':' cannot stand in an expression."),
    ],
)
def test_errors_name_the_place_and_what_to_write(text, position, words):
    with pytest.raises(ExpressionError) as caught:
        parse_expression(text, KNOWN)
    assert caught.value.position == position
    assert str(caught.value).startswith(f"At position {position}: ")
    assert words in str(caught.value)


PIECES = st.sampled_from(
    [
        *"()+-*/,. \t^=[]'\"",
        *("**", "log", "exp", "sqrt", "min", "max", "x", "koh_ratio", "1", "2.5", "1e300"),
        *("__import__", "lambda", "x.x", "é", "\n", "(" * 30, "-" * 30),
    ]
)


def read_or_refused(text):
    """The expression, or the place at which it was refused."""
    try:
        return parse_expression(text, KNOWN)
    except ExpressionError as error:
        return error.position


@settings(max_examples=400, deadline=None)
@given(st.one_of(st.text(max_size=600), st.lists(PIECES, max_size=120).map("".join)))
def test_any_text_gives_a_value_or_our_own_error_after_few_steps(text):
    found = read_or_refused(text)
    if isinstance(found, int):
        assert 1 <= found <= len(text) + 1
        return
    # The work is bounded: never more steps than characters, each one operation on arrays.
    assert len(found.steps) <= len(text) <= MOST_CHARACTERS
    result = evaluate(found, {name: np.ones((3, 2)) for name in KNOWN})
    assert np.asarray(result).dtype == np.float64


def _join(parts):
    (left, a), sign, (right, b) = parts
    total = {"+": a + b, "-": a - b, "*": a * b}[sign]
    return f"({left} {sign} {right})", total


@settings(max_examples=200, deadline=None)
@given(
    st.recursive(
        st.integers(0, 9).map(lambda n: (str(n), n)),
        lambda inner: st.tuples(inner, st.sampled_from("+-*"), inner).map(_join),
        max_leaves=12,
    )
)
def test_sums_and_products_agree_with_whole_numbers(made):
    text, total = made
    assert value(text) == pytest.approx(total, rel=1e-12, abs=1e-9)
