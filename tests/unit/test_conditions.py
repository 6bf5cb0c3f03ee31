"""Conditions that forbid combinations: what they mean, and what is said of those that are wrong."""

import numpy as np
import pytest
from charscreen.plan.conditions import ConditionError, read_condition

NUMBERS = ["peak_temperature_C", "koh_ratio"]
WORDS = {"feedstock": ["husk", "bran"], "activation": ["none", "KOH"]}
LOTS = {
    "peak_temperature_C": np.array([600.0, 700.0, 800.0, 800.0]),
    "koh_ratio": np.array([np.nan, 3.0, 4.0, np.nan]),
    "feedstock": np.array(["husk", "bran", "husk", "bran"], dtype=object),
    "activation": np.array(["none", "KOH", "KOH", "none"], dtype=object),
}


@pytest.mark.parametrize(
    ("text", "truth"),
    [
        ("activation == KOH and peak_temperature_C > 750", [0, 0, 1, 0]),
        ("activation == KOH or peak_temperature_C >= 800", [0, 1, 1, 1]),
        ("not activation == KOH", [1, 0, 0, 1]),
        ("not (activation == KOH or feedstock == husk)", [0, 0, 0, 1]),
        ("feedstock in [husk, 'bran'] and koh_ratio > 3", [0, 0, 1, 0]),
        ("peak_temperature_C in [600, 700]", [1, 1, 0, 0]),
        # What a lot does not have is neither above, below, equal nor unequal.
        ("koh_ratio != 3", [0, 0, 1, 0]),
        ("koh_ratio <= 4", [0, 1, 1, 0]),
        # and binds closer than or.
        ("feedstock == bran or feedstock == husk and koh_ratio > 3", [0, 1, 1, 1]),
        ("peak_temperature_C>-5", [1, 1, 1, 1]),
    ],
)
def test_conditions_mean_what_they_say(text, truth):
    found = read_condition(text, numbers=NUMBERS, words=WORDS)(LOTS)
    assert found.tolist() == [bool(t) for t in truth]


def test_arrays_that_can_be_broadcast_give_their_common_shape():
    condition = read_condition("koh_ratio > 3 and feedstock == husk", numbers=NUMBERS, words=WORDS)
    values = {"koh_ratio": np.array([[2.0, 4.0]]), "feedstock": np.array([["husk"], ["bran"]])}
    assert condition(values).tolist() == [[False, True], [False, False]]


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("peak_temperature > 700", "Did you mean 'peak_temperature_C'?"),
        ("colour > 700", "'colour' is not known. Known are koh_ratio"),
        ("feedstock == huks", "feedstock is never 'huks'. Did you mean 'husk'?"),
        ("feedstock > husk", "feedstock is no number: compare it with ==, != or in."),
        ("koh_ratio > many", "koh_ratio is a number, but 'many' is none."),
        ("koh_ratio 3", "after koh_ratio a comparison is expected"),
        ("koh_ratio > 3 and", "the text ends where a name is expected."),
        ("(koh_ratio > 3", "a bracket ( is not closed."),
        ("koh_ratio in [1, 2", "a list [ is not closed."),
        ("koh_ratio in 1", "after in a list is expected"),
        ("koh_ratio > 3 koh_ratio", "'koh_ratio' comes where and, or, or the end is expected."),
        ("koh_ratio > 3; import os", "'; import os' cannot be read here."),
        ("__import__ == 3", "'__import__' is not known."),
        ("and == 3", "'and' stands where a name is expected"),
        ("", "there is no condition here."),
    ],
)
def test_what_cannot_be_read_is_said_with_a_remedy(text, message):
    with pytest.raises(ConditionError) as caught:
        read_condition(text, numbers=NUMBERS, words=WORDS)
    assert message in str(caught.value)
