"""The best of what was measured, apart from what the model alone promises."""

import numpy as np
import pandas as pd
import pytest
from charscreen.basis import is_measured
from charscreen.propose.advice import advise
from charscreen.rank.measured import measured_summary
from charscreen.rank.merits import MeritDraws


def _table(basis: list[str], better: str = "more") -> tuple[pd.DataFrame, MeritDraws]:
    """Four candidates over four draws, best first by their medians."""
    sign = 1.0 if better == "more" else -1.0
    values = sign * np.array(
        [[9.0, 5.0, 4.0, 1.0], [9.0, 5.0, 6.0, 1.0], [4.0, 5.0, 3.0, 1.0], [9.0, 5.0, 4.0, 1.0]]
    )
    table = pd.DataFrame(
        {
            "candidate": list("abcd"),
            "basis": basis,
            "predicted": ["yes" if b != "measured" else "no" for b in basis],
            "estimate": np.median(values, axis=0),
            "estimate_lo": values.min(axis=0),
            "estimate_hi": values.max(axis=0),
            "position": range(4),
        }
    )
    return table, MeritDraws(values, np.ones(4, bool), basis, better=better)


@pytest.mark.parametrize("better", ["more", "less"])
def test_a_predicted_first_place_leaves_the_choice_to_the_best_measured(better):
    table, drawn = _table(["other conditions", "measured", "measured", "measured"], better)
    found = measured_summary(table, drawn, group_probability=0.9)
    # By hand over b, c, d: b leads in draws 1, 3, 4 and loses 1 in draw 2; c is beaten in 3 of 4.
    assert (found["best"], found["n"]) == ("b", 3)
    assert found["p_best"] == 0.75
    assert found["expected_loss"] == 0.25
    assert found["group"] == ["b", "c"]
    assert found["p_best_in_group"] == 1.0
    assert (found["predicted_ahead"], found["p_predicted_ahead"]) == ("a", 0.75)


def test_where_all_is_measured_the_first_is_the_choice():
    table, drawn = _table(["measured"] * 4)
    found = measured_summary(table, drawn, group_probability=0.7)
    assert (found["best"], found["n"], found["p_best"]) == ("a", 4, 0.75)
    assert found["group"] == ["a"]
    assert found["predicted_ahead"] is found["p_predicted_ahead"] is None


def test_tied_draws_are_shared_and_nothing_measured_is_said():
    table, drawn = _table(["measured"] * 4)
    drawn.values[:] = 3.0
    assert measured_summary(table, drawn, group_probability=0.9)["p_best"] == 0.25
    table, drawn = _table(["fired off plan"] * 4)
    assert measured_summary(table, drawn, group_probability=0.9) == {"n": 0, "best": None}


def test_only_what_was_measured_at_its_condition_counts():
    assert is_measured({"predicted": "no", "basis": "yield only"})
    assert is_measured({})
    assert not is_measured({"predicted": "no", "basis": "other conditions"})
    assert not is_measured({"basis": "fired off plan"})
    assert not is_measured({"predicted": "yes", "basis": "measured"})


@pytest.mark.parametrize(
    ("measured", "start"),
    [(True, "Choosing husk now"), (False, "The model puts husk first, which was not measured")],
)
def test_the_proposal_does_not_call_a_promise_a_choice(measured, start):
    summary = {
        "unit": "F/g",
        "choice": "husk",
        "choice_is_measured": measured,
        "loss_now": 9.0,
        "chance_best": 0.5,
        "worth": None,
        "gain": 3.0,
        "gain_se": 0.2,
        "n_firings": 1,
        "n_lots": 6,
    }
    _, sentences = advise(summary, pd.DataFrame())
    assert sentences[0].startswith(start)
    assert "is expected to lose 9.00 F/g" in sentences[0]
