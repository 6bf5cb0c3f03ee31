"""Pareto front, desirability and what the choice hangs on, by hand."""

import numpy as np
import pandas as pd
import pytest
from charscreen.rank.desirability import desirability_of, desirability_table, overall
from charscreen.rank.front import common_draws, front_table, on_front
from charscreen.rank.sensitivity import (
    price_sensitivity,
    sensitivity_sentences,
    weight_sensitivity,
)

MORE = {"farads": "more", "cost": "less"}


def constant(**values):
    """Twenty equal draws: candidate to (farads, cost)."""
    return pd.DataFrame(
        {f"farads|{name}": np.full(20, float(v[0])) for name, v in values.items()}
        | {f"cost|{name}": np.full(20, float(v[1])) for name, v in values.items()}
    )


def test_front_by_hand():
    values = np.array([[[3, 1], [2, 2], [1, 3], [1, 1], [2, 1]]], dtype=float)
    assert on_front(values).tolist() == [[True, True, True, False, False]]


def test_twins_do_not_beat_each_other():
    values = np.array([[[2, 2], [2, 2], [2, 1]]], dtype=float)
    assert on_front(values).tolist() == [[True, True, False]]


def test_front_of_many_draws_in_parts_is_that_of_each(monkeypatch):
    values = np.random.default_rng(2).normal(size=(60, 7, 3))
    whole = on_front(values)
    monkeypatch.setattr("charscreen.rank.front._CHUNK_VALUES", 200)
    assert (on_front(values) == whole).all()
    for draw, front in zip(values, whole, strict=True):
        for i in range(7):
            beaten = any((draw[j] >= draw[i]).all() and (draw[j] > draw[i]).any() for j in range(7))
            assert front[i] == (not beaten)


def test_front_refuses_one_merit_and_missing_values():
    with pytest.raises(ValueError, match="two merits"):
        on_front(np.zeros((3, 2, 1)))
    with pytest.raises(ValueError, match="finite"):
        on_front(np.full((3, 2, 2), np.nan))


def test_membership_is_a_share_of_the_draws():
    # b beats a in both merits in a quarter of the draws.
    draws = pd.DataFrame(
        {
            "farads|a": [2.0, 2, 2, 2],
            "farads|b": [1.0, 1, 1, 3],
            "cost|a": [5.0, 5, 5, 5],
            "cost|b": [4.0, 4, 4, 4],
            "farads|no_cost": [9.0, 9, 9, 9],
        }
    )
    table = front_table(draws, ["farads", "cost"], MORE)
    assert table["candidate"].tolist() == ["b", "a"]
    assert table["p_front"].tolist() == [1.0, 0.75]
    assert table["on_front"].tolist() == ["yes", "yes"]
    assert table["cost"].tolist() == [4.0, 5.0]


def test_no_front_of_one_merit_or_of_nothing_in_common():
    assert front_table(constant(a=(1, 1)), ["farads"], MORE).empty
    apart = constant(a=(1, 1)).rename(columns={"cost|a": "cost|b"})
    assert front_table(apart, ["farads", "cost"], MORE).empty
    assert common_draws(apart, ["farads", "cost"], MORE)[0] == []


@pytest.mark.parametrize(
    ("value", "better", "wish", "expected"),
    [
        # Derringer & Suich (1980): ((y - low)/(high - low))^r, by hand.
        (50, "more", {"low": 100, "high": 200}, 0),
        (150, "more", {"low": 100, "high": 200}, 0.5),
        (150, "more", {"low": 100, "high": 200, "exponent": 2}, 0.25),
        (250, "more", {"low": 100, "high": 200}, 1),
        (120, "less", {"low": 100, "high": 200}, 0.8),
        (250, "less", {"low": 100, "high": 200}, 0),
        (4, "more", {"low": 2, "target": 6, "high": 8}, 0.5),
        (7, "less", {"low": 2, "target": 6, "high": 8}, 0.5),
        (6, "more", {"low": 2, "target": 6, "high": 8}, 1),
        (9, "more", {"low": 2, "target": 6, "high": 8}, 0),
        (2, "more", {"low": 2, "target": 2, "high": 8}, 1),
        (8, "more", {"low": 2, "target": 8, "high": 8}, 1),
    ],
)
def test_desirability_by_hand(value, better, wish, expected):
    assert desirability_of(np.array(value), wish, better) == pytest.approx(expected)


def test_overall_is_the_weighted_geometric_mean():
    assert overall(np.array([0.25, 1.0]), [1, 1]) == pytest.approx(0.5)
    assert overall(np.array([0.25, 1.0]), [3, 1]) == pytest.approx(0.25**0.75)
    assert overall(np.array([0.0, 1.0]), [1, 1]) == 0
    assert overall(np.array([0.0, 0.7]), [0, 1]) == pytest.approx(0.7)


def test_desirability_table_by_hand():
    wishes = {
        "farads": {"low": 0, "high": 100, "weight": 1},
        "cost": {"low": 0, "high": 10, "weight": 1},
    }
    table = desirability_table(constant(a=(50, 5), b=(81, 9), c=(40, 11)), wishes, MORE)
    assert table["candidate"].tolist() == ["a", "b", "c"]
    assert table["desirability"].tolist() == pytest.approx([0.5, np.sqrt(0.81 * 0.1), 0])
    assert table["p_unacceptable"].tolist() == [0, 0, 1]
    assert table["p_best"].tolist() == [1, 0, 0]
    assert table["expected_loss"][1] == pytest.approx(0.5 - np.sqrt(0.081))


def test_desirability_has_the_interval_of_its_draws():
    farads = np.linspace(0, 100, 1001)
    draws = pd.DataFrame({"farads|a": farads})
    table = desirability_table(draws, {"farads": {"low": 0, "high": 100}}, MORE)
    assert table.loc[0, ["desirability", "desirability_lo", "desirability_hi"]].tolist() == (
        pytest.approx([0.5, 0.05, 0.95])
    )


def test_no_wishes_no_table():
    assert desirability_table(constant(a=(1, 1)), {}, MORE).empty


def test_the_weight_at_which_the_choice_changes_by_hand():
    # 200 F at cost 4 against 100 F at cost 1: 200^w / 4^(1-w) = 100^w at
    # w ln 2 = (1 - w) ln 4, so w = 2/3.
    table = weight_sensitivity(
        constant(big=(200, 4), cheap=(100, 1)), {"farads": 1, "cost": 1}, MORE
    )
    of_farads = table[table["quantity"] == "farads"]
    assert of_farads["candidate"].tolist() == ["cheap", "big"]
    assert of_farads["to"].tolist()[0] == pytest.approx(66.5)
    assert of_farads["has_now"].tolist() == ["yes", "no"]
    of_cost = table[table["quantity"] == "cost"]
    assert of_cost["candidate"].tolist() == ["big", "cheap"]
    assert of_cost["from"].tolist()[1] == pytest.approx(33.5)


def test_sensitivity_by_wishes_agrees_with_the_table_of_desirability():
    rng = np.random.default_rng(5)
    draws = pd.DataFrame(
        {f"farads|{name}": rng.normal(m, 15, 900) for name, m in zip("abc", (90, 110, 130))}  # noqa: B905
        | {f"cost|{name}": rng.normal(m, 0.5, 900) for name, m in zip("abc", (3, 5, 8))}  # noqa: B905
    )
    for weight in (0.2, 1.0, 5.0):
        wishes = {
            "farads": {"low": 50, "high": 160, "weight": weight},
            "cost": {"low": 1, "high": 10, "weight": 1.0},
        }
        best = desirability_table(draws, wishes, MORE)["candidate"][0]
        table = weight_sensitivity(draws, {"farads": weight, "cost": 1.0}, MORE, wishes=wishes)
        now = table[(table["quantity"] == "farads") & (table["has_now"] == "yes")]
        assert now["candidate"].tolist() == [best]


def test_weights_of_values_not_above_zero_are_not_swept():
    assert weight_sensitivity(constant(a=(-1, 1)), {"farads": 1, "cost": 1}, MORE).empty
    assert weight_sensitivity(constant(a=(1, 1)), {"farads": 1}, MORE).empty


def test_the_price_at_which_the_choice_changes_by_hand():
    # Cost 1 + 3 p against 5 + 1 p: equal at p = 2; now 1.
    def score(price):
        return -np.array([1 + 3 * price, 5 + price])

    table = price_sensitivity(
        score, ["thirsty", "dear"], price="koh_per_kg", now=1.0, unit="EUR/kg"
    )
    assert table["candidate"].tolist() == ["thirsty", "dear"]
    assert table["to"][0] == pytest.approx(2.0, rel=0.03)
    assert table["has_now"].tolist() == ["yes", "no"]
    (sentence,) = sensitivity_sentences(table, str, str)
    assert sentence.startswith(
        "By the price koh_per_kg (now 1 EUR/kg): now the choice is thirsty; above "
    )
    assert sentence.endswith("EUR/kg it is dear.")


def test_feed_is_tried_from_nothing_and_those_that_change_nothing_are_named_together():
    # Husk costs 4 + p, shell 3 + p, straw 9 + p; all feeds cost nothing now.
    costs = np.array([4.0, 3.0, 9.0])
    feeds = ["husk", "shell", "straw"]

    def of(feed):
        return lambda price: -(costs + price * (np.array(feeds) == feed))

    tables = [
        price_sensitivity(of(feed), feeds, price=feed, now=0.0, unit="EUR/kg", top=5.0)
        for feed in feeds
    ]
    assert [len(table) for table in tables] == [1, 2, 1]
    assert all(table["what"].eq("feed price").all() for table in tables)
    assert tables[1]["from"].tolist()[0] == 0
    assert tables[1]["to"].tolist()[-1] == 5
    assert tables[1]["to"][0] == pytest.approx(1.0, rel=0.03)
    assert sensitivity_sentences(pd.concat(tables, ignore_index=True), str, str) == [
        f"By the price of feed of shell (now 0 EUR/kg): now the choice is shell; above "
        f"{tables[1]['to'][0]:.3g} EUR/kg it is husk.",
        "The choice does not hang on the price of feed of husk and straw: it is shell from 0 to 5 "
        "EUR/kg, each by itself.",
    ]


def test_a_choice_that_hangs_on_no_weight_is_said_so():
    table = weight_sensitivity(
        constant(good=(200, 1), bad=(100, 4)), {"farads": 1, "cost": 1}, MORE
    )
    sentences = sensitivity_sentences(table, str, str)
    assert sentences == [
        "The choice does not hang on the weight of farads: it is good whatever weight it has.",
        "The choice does not hang on the weight of cost: it is good whatever weight it has.",
    ]
